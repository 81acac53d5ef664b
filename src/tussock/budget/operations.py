"""In: a site and the operations files it was read from. Out: one record of operations, with what is not said filled in.

Every default has its source (`trade.times`); a plan lists which ones it used.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tussock.base.columns import AREA, LENGTH, UnitSystem
from tussock.base.errors import Fault, InputError
from tussock.base.records import Operations, TimeModel
from tussock.base.stages import Site
from tussock.base.units import HECTARE_M2
from tussock.trade.times import DEFAULTS

if TYPE_CHECKING:
    import pandas as pd

_MINUTE_S: Final = 60.0
_HOUR_S: Final = 3600.0
_TOBLER: Final = (
    "Tobler 1993, Three presentations on geographical analysis and modeling, NCGIA technical report 93-1: "
    "6 km/h x exp(-3.5 |slope + 0.05|), off a path 0.6 of it"
)


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
        Amounts are in two currencies, the day is shorter than travel and breaks, a product has two prices or a method
        two paces, or crews are called licensed in which nobody is.
    """
    if site.operations is not None:
        files = [item.name for item in site.documents if item.role == "operations"]
        _check(site.operations, ", ".join(files) or "operations")
    return site.operations


def _check(operations: Operations, where: str) -> None:
    faults = [Fault(where, *words) for words in (*_list_contradictions(operations), *_list_twice(operations))]
    if faults:
        raise InputError(faults)


def _list_contradictions(operations: Operations) -> Iterator[tuple[str, str, str]]:
    """Yield key, what was found and what to do where two tables do not go together."""
    currencies = operations.currencies()
    if len(currencies) > 1:
        yield "prices", f"amounts in {' and '.join(currencies)}", "write all amounts in one currency"
    times = find_times(operations)
    if times is not None and times.on_site_s <= 0:
        away_h = (times.travel_s + times.breaks_s) / 3600
        found = f"a day of {times.day_s / 3600:g} h with {away_h:g} h of travel and breaks"
        yield "crew.day", found, "give a day that leaves time on the site"
    crew, calendar = operations.crew, operations.calendar
    if crew is not None and calendar is not None and calendar.licensed_crews and not crew.licensed:
        found = f"{calendar.licensed_crews}, but nobody in a crew is licensed (crew.licensed)"
        yield "calendar.licensed_crews", found, "say how many persons of a crew are licensed, or write 0"


def _list_twice(operations: Operations) -> Iterator[tuple[str, str, str]]:
    """Yield key, what was found and what to do where a product has two prices, or a method two paces."""
    for name, count in Counter(item.product for item in operations.price).items():
        if count > 1:
            yield "price", f'"{name}" {count} times', "keep one price for each product or supply"
    for (method, equipment), count in Counter((item.method, item.equipment) for item in operations.production).items():
        if count > 1:
            tool = f' with "{equipment}"' if equipment else ""
            yield "production", f'"{method}"{tool} {count} times', "keep one pace for each method and equipment"


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


def list_time_basis(operations: Operations | None, system: UnitSystem) -> pd.DataFrame:
    """Return what each time of the model is and where it comes from.

    Parameters
    ----------
    operations
        With ``[time]``; without it there are no rows.
    system
        Units of areas and distances.

    Returns
    -------
    DataFrame
        ``term, size, unit, taken_from, source``: the key of the operations file, and its size in minutes, in ground an
        hour or in distance a minute.
    """
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
            taken = ("default", default.source) if size is None else ("operations file", source)
            rows.append((*_show_time(name, default.size if size is None else float(size), system), *taken))
        walk = model.walk_m_per_s
        taken = ("default, by slope", _TOBLER) if walk is None else ("operations file", model.source)
        rows.append((*_show_time("walk_m_per_s", float("nan") if walk is None else walk, system), *taken))
    return pd.DataFrame(rows, columns=["term", "size", "unit", "taken_from", "source"])


def _show_time(name: str, size: float, system: UnitSystem) -> tuple[str, float, str]:
    """Return the key, the size and the unit that a time, a pace or a factor is shown with."""
    if name.endswith("_ha_per_s"):
        area = AREA.suffix(system)
        return name.removesuffix("_ha_per_s"), size * _HOUR_S * HECTARE_M2 / AREA.size(system), f"{area}/hour"
    if name.endswith("_m_per_s"):
        length = LENGTH.suffix(system)
        return name.removesuffix("_m_per_s"), size * _MINUTE_S / LENGTH.size(system), f"{length}/min"
    if name.endswith("_s"):
        return name.removesuffix("_s"), size / _MINUTE_S, "min"
    return name, size, ""
