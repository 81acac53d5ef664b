"""In: a unit of a patch that was found empty. Out: the look that is planned there: its days, or why there is none."""

from __future__ import annotations

from dataclasses import dataclass, field

from tussock.base.days import DaySet
from tussock.base.records import LOOK
from tussock.base.stages import Site
from tussock.prescribe import judge
from tussock.prescribe.seasons import intersect_seasons


@dataclass(frozen=True)
class Look:
    """A look at a unit: who found it empty, the days that are left to it, and what is to be known."""

    found: str
    days: DaySet = field(repr=False)
    refusals: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def reason(self) -> str:
        """Why there is a look and no treatment, or why there is not even a look."""
        texts = self.refusals or ("a look and no treatment", *self.notes)
        return f"found empty ({self.found}): {'; '.join(texts)}"


def plan_look(site: Site, ground: judge.Ground, found: str) -> Look:
    """Find the days of a look: outside the closures of the site, and where no rule forbids all work."""
    binding = [
        item for item in ground.in_force if item.setback.forbids is not None and item.setback.forbids.binds(LOOK, [])
    ]
    system = site.options.units
    windows = [
        *judge.list_closed_days(site.season, site.options),
        *judge.list_setback_days(site.season, binding, system),
        *judge.list_ruleset_days(site.season, LOOK, site.rulesets, site.options.accept_out_of_date, herbicide=False),
    ]
    season = intersect_seasons(site.season, windows)
    refusals = [*judge.check_setbacks(binding, system), *([season.refusal] if season.refusal else [])]
    return Look(found, season.days, tuple(refusals), season.notes)


def refuse_for_look(found: str) -> str:
    """Say why no treatment is planned on ground that was found empty."""
    return f"found empty ({found}): a look and no treatment; unlock: map what stands there, with its cover or stems"
