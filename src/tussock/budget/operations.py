"""In: a site and the operations files it was read from. Out: one record of operations, with what is not said filled in.

Every default stands here with its source; a plan lists which ones it used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tussock.base.errors import Fault, InputError
from tussock.base.records import Operations, TimeModel
from tussock.base.stages import Site

if TYPE_CHECKING:
    import pandas as pd

_INVENTED: Final = "invented default, no source: put in your own"
_TOBLER: Final = (
    "Tobler 1993, Three presentations on geographical analysis and modeling, NCGIA technical report 93-1: "
    "6 km/h x exp(-3.5 |slope + 0.05|), off a path 0.6 of it"
)


@dataclass(frozen=True)
class Default:
    """What is taken where ``[time]`` does not say: size in SI units, unit of the size, and where it comes from."""

    size: float
    unit: str
    source: str


#: Used only where the operations file has a ``[time]`` table; without one the terms are not counted at all.
DEFAULTS: Final = {
    "day_s": Default(8 * 3600.0, "s", _INVENTED),
    "travel_s": Default(40 * 60.0, "s", _INVENTED),
    "breaks_s": Default(30 * 60.0, "s", _INVENTED),
    "records_s": Default(6 * 60.0, "s", _INVENTED),
    "mixing_s": Default(6 * 60.0, "s", _INVENTED),
    "cleaning_s": Default(10 * 60.0, "s", _INVENTED),
    "cleaning_dirty_s": Default(20 * 60.0, "s", _INVENTED),
    "search_ha_per_s": Default(1.0 / 3600, "ha/s", _INVENTED),
    "flagging_m_per_s": Default(0.4, "m/s", _INVENTED),
    "terrain_factor": Default(1.3, "", _INVENTED),
}


@dataclass(frozen=True)
class Times:
    """Every time of the model in SI units; ``walk_m_per_s`` is None where it follows from the slope."""

    day_s: float
    travel_s: float
    breaks_s: float
    records_s: float
    mixing_s: float
    cleaning_s: float
    cleaning_dirty_s: float
    search_ha_per_s: float
    flagging_m_per_s: float
    terrain_factor: float
    walk_m_per_s: float | None
    dirty_species: frozenset[str]

    @property
    def on_site_s(self) -> float:
        """Time of one person's day that is left on the site [s]."""
        return self.day_s - self.travel_s - self.breaks_s


def find_operations(site: Site) -> Operations | None:
    """Return the operations of a site, checked for what one table alone cannot tell.

    Raises
    ------
    InputError
        Amounts are in two currencies, or the day is shorter than travel and breaks.
    """
    if site.operations is not None:
        files = [item.name for item in site.documents if item.role == "operations"]
        _check(site.operations, ", ".join(files) or "operations")
    return site.operations


def _check(operations: Operations, where: str) -> None:
    currencies = operations.currencies()
    if len(currencies) > 1:
        found = f"amounts in {' and '.join(currencies)}"
        raise InputError(Fault(where, "prices", found, "write all amounts in one currency"))
    times = find_times(operations)
    if times is not None and times.on_site_s <= 0:
        away_h = (times.travel_s + times.breaks_s) / 3600
        found = f"a day of {times.day_s / 3600:g} h with {away_h:g} h of travel and breaks"
        raise InputError(Fault(where, "crew.day", found, "give a day that leaves time on the site"))


def find_times(operations: Operations) -> Times | None:
    """Return the times of the model, defaults filled in; None where the file has no ``[time]`` table."""
    model = operations.time
    if model is None:
        return None
    day_s = operations.crew.day_s if operations.crew is not None else None
    return Times(
        day_s=DEFAULTS["day_s"].size if day_s is None else day_s,
        **{name: _pick(model, name) for name in DEFAULTS if name != "day_s"},
        walk_m_per_s=model.walk_m_per_s,
        dirty_species=frozenset(name.casefold() for name in model.dirty_species),
    )


def _pick(model: TimeModel, name: str) -> float:
    own = getattr(model, name)
    return DEFAULTS[name].size if own is None else float(own)


def list_time_basis(operations: Operations | None) -> pd.DataFrame:
    """Return what each time of the model is and where it comes from: ``term, size, unit, taken_from, source``."""
    import pandas as pd

    rows: list[tuple[str, float, str, str, str]] = []
    model = None if operations is None else operations.time
    if operations is not None and model is not None:
        crew = operations.crew
        own_day = None if crew is None else crew.day_s
        given = {"day_s": (own_day, "" if crew is None else crew.source)}
        given |= {name: (getattr(model, name), model.source) for name in DEFAULTS if name != "day_s"}
        for name, (size, source) in given.items():
            default = DEFAULTS[name]
            if size is None:
                rows.append((name, default.size, default.unit, "default", default.source))
            else:
                rows.append((name, float(size), default.unit, "operations file", source))
        walk = model.walk_m_per_s
        rows.append(
            ("walk_m_per_s", float("nan"), "m/s", "default, by slope", _TOBLER)
            if walk is None
            else ("walk_m_per_s", walk, "m/s", "operations file", model.source)
        )
    return pd.DataFrame(rows, columns=["term", "size", "unit", "taken_from", "source"])
