"""In: nothing. Out: colours and hatchings for charts: told apart by colour-blind people, and in grey."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import cycle, islice
from typing import TYPE_CHECKING, Any, Final

from tussock.deliver.webmap_style import BLUE, GREEN, GREY, ORANGE, PURPLE, SKY, VERMILLION, YELLOW

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK: Final = "#1A1A1A"
_COLOURS: Final = (BLUE, ORANGE, GREEN, SKY, VERMILLION, PURPLE, YELLOW, GREY)
_HATCHES: Final = ("", "//", "..", "xx", "\\\\", "--", "oo", "||", "++")


@dataclass(frozen=True)
class Face:
    """Colour and hatching of one series."""

    colour: str
    hatch: str

    @property
    def options(self) -> dict[str, Any]:
        """Options of a bar."""
        return {"color": self.colour, "hatch": self.hatch, "edgecolor": INK, "linewidth": 0.6}


def list_faces(count: int) -> list[Face]:
    """Return as many faces; after 72 they come again."""
    pairs = zip(cycle(_COLOURS), cycle(_HATCHES), strict=False)  # both without end
    return [Face(colour, hatch) for colour, hatch in islice(pairs, count)]


def make_figure(width: float, height: float) -> tuple[Figure, Any]:
    """Return a figure [inches] and its axes."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(width, height), layout="constrained", facecolor="white")
    return figure, figure.add_subplot()
