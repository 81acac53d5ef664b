"""In: a season's problem. Out: parts of a calendar to open one after the other, while the rest stays as it is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tussock.budget.assignment import Problem, Shares
from tussock.budget.model import Model

#: Fewest and most weeks in a row, and areas, that a round opens: small enough to be searched in about a second.
_WEEKS: Final = (3, 6)
_AREAS: Final = (4, 7)
_SEED: Final = 0


@dataclass(frozen=True)
class Neighbourhood:
    """The part of a calendar that is open: these areas, in these weeks."""

    areas: frozenset[str]
    weeks: range


def list_neighbourhoods(problem: Problem, rounds: int) -> Iterator[Neighbourhood]:
    """Yield parts of the calendar: by turns all areas in a few weeks, and a few areas in all weeks.

    They are drawn at random, and alike in every run.

    Parameters
    ----------
    problem
        Jobs with their areas, and weeks.
    rounds
        How many parts.
    """
    draw = np.random.default_rng(_SEED)
    areas = sorted({problem.visit(job) for job in problem.jobs})
    weeks = len(problem.capacity_h)
    for place in range(rounds):
        if place % 2 == 0:
            count = min(int(draw.integers(_WEEKS[0], _WEEKS[1] + 1)), weeks)
            first = int(draw.integers(0, weeks - count + 1))
            yield Neighbourhood(frozenset(areas), range(first, first + count))
        else:
            count = min(int(draw.integers(_AREAS[0], _AREAS[1] + 1)), len(areas))
            yield Neighbourhood(frozenset(draw.choice(areas, count, replace=False).tolist()), range(weeks))


def list_held(problem: Problem, model: Model, shares: Sequence[Shares], opened: Neighbourhood) -> NDArray[np.int32]:
    """Return the columns of the model to hold at their values: all that is not open.

    Parameters
    ----------
    problem, model
        Jobs, and the columns that stand for them.
    shares
        The calendar as it stands.
    opened
        Jobs of these areas that are done in these weeks, or left out, may move within them.
    """
    held: list[int] = []
    for job, columns, out, own in zip(problem.jobs, model.x, model.out, shares, strict=True):
        moves = problem.visit(job) in opened.areas and (not own or any(week in opened.weeks for week in own))
        held += [column for week, column in columns.items() if not (moves and week in opened.weeks)]
        held += [] if moves else [out]
    return np.array(held, dtype=np.int32)
