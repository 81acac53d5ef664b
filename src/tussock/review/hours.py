"""In: units, the distances of their table of hours, times. Out: every term of the hours that `[time]` asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import Operations
from tussock.base.units import HECTARE_M2
from tussock.review.columns import read_number
from tussock.review.evidence import Evidence
from tussock.review.places import find_mixing_closed
from tussock.trade.times import DEFAULTS

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_HOUR_S: Final = 3600.0
#: Walking off a path by slope: Tobler 1993, NCGIA technical report 93-1; off a path 0.6 of it.
_TOBLER_M_PER_S: Final = 6000.0 / 3600.0 * 0.6
_ROUNDING: Final = 1e-9
#: Terms of the work on the site beside setting up, treating and refilling.
FIELD_TERMS: Final = ("walk_in_h", "search_h", "mixing_h", "flagging_h", "cleaning_h", "records_h")


@dataclass(frozen=True)
class Times:
    """Times of the model in SI units; a time that the operations do not give is the default of the trade's table."""

    given: dict[str, float]
    walk_m_per_s: float | None
    dirty: frozenset[str]

    def __getitem__(self, name: str) -> float:
        """Return one time, pace or factor."""
        return self.given[name]

    @property
    def on_site_s(self) -> float:
        """What travel and breaks leave of a person's day [s]."""
        return self["day_s"] - self["travel_s"] - self["breaks_s"]


def find_times(operations: Operations | None) -> Times | None:
    """Return the times of the model; None where the operations do not time the day, or there is no crew."""
    if operations is None or operations.time is None:
        return None
    model = operations.time
    day_s = None if operations.crew is None else operations.crew.day_s
    own = {name: day_s if name == "day_s" else getattr(model, name) for name in DEFAULTS}
    given = {name: DEFAULTS[name].size if value is None else float(value) for name, value in own.items()}
    return Times(given, model.walk_m_per_s, frozenset(name.casefold() for name in model.dirty_species))


def find_field_terms(
    evidence: Evidence, operations: Operations, used: BoolArray, loads: FloatArray, days: FloatArray
) -> dict[str, FloatArray]:
    """Return the terms that `[time]` adds for some units [person-hours], and the way of refilling as ``way_h``.

    Parameters
    ----------
    evidence
        Units, and the distances that their table of hours states.
    operations
        Times and crew; without both the terms are nothing.
    used
        Which units, shape (u,).
    loads
        Fillings of those units, nothing where not known.
    days
        Crew days of each patch, shape (patches,).
    """
    times = find_times(operations)
    count = int(used.sum())
    if times is None or operations.crew is None:
        return dict.fromkeys((*FIELD_TERMS, "way_h"), np.zeros(count))
    if "field" not in evidence.memo:
        evidence.memo["field"] = _find_field(evidence, times)
    field: _Field = evidence.memo["field"]
    patch = evidence.unit_patch[used]
    share = operations.crew.size / np.maximum(field.planned[patch], 1) / _HOUR_S
    stretch = times["terrain_factor"] / field.pace_m_per_s[patch]
    way = np.maximum(loads - 1, 0) * 2 * field.carry_m[used] * stretch / _HOUR_S
    if find_mixing_closed(evidence):
        way = np.where(loads > 0, np.nan, way)
    return {
        "walk_in_h": 2 * field.furthest_m[patch] * stretch * share * days[patch],
        "search_h": evidence.units["area_m2"].to_numpy()[used] / HECTARE_M2 / times["search_ha_per_s"] / _HOUR_S,
        "mixing_h": loads * times["mixing_s"] / _HOUR_S,
        "flagging_h": field.edge_m[used] / times["flagging_m_per_s"] / _HOUR_S,
        "cleaning_h": np.where(field.dirty[patch], times["cleaning_dirty_s"], times["cleaning_s"]) * share,
        "records_h": np.full(count, times["records_s"] / _HOUR_S),
        "way_h": way,
    }


@dataclass(frozen=True)
class _Field:
    """What the terms of a day rest on whatever the amounts: by patch, and the two distances by unit."""

    pace_m_per_s: FloatArray
    planned: NDArray[np.intp]
    furthest_m: FloatArray
    dirty: BoolArray
    carry_m: FloatArray
    edge_m: FloatArray


def _find_field(evidence: Evidence, times: Times) -> _Field:
    walk, carry, edge = (
        np.nan_to_num(_read_stated(evidence, name)) for name in ("walk_m", "mixing_m", "limited_edge_m")
    )
    planned = (evidence.units["status"] == "planned").to_numpy() & (evidence.unit_patch >= 0)
    furthest = np.zeros(len(evidence.patches))
    np.maximum.at(furthest, evidence.unit_patch[planned], walk[planned])
    return _Field(
        pace_m_per_s=_find_paces(evidence, times),
        planned=np.bincount(evidence.unit_patch[planned], minlength=len(evidence.patches)).astype(np.intp),
        furthest_m=furthest,
        dirty=evidence.patches["species"].str.casefold().isin(times.dirty).to_numpy(dtype=bool),
        carry_m=carry,
        edge_m=edge,
    )


def find_day_factors(operations: Operations) -> tuple[float, float]:
    """Return travel and breaks for each hour on the site: their share of a person's day."""
    times = find_times(operations)
    if times is None:
        return 0.0, 0.0
    return times["travel_s"] / times.on_site_s, times["breaks_s"] / times.on_site_s


def count_days(evidence: Evidence, on_site_h: FloatArray) -> FloatArray:
    """Return the crew days that each patch takes, at least one, shape (patches,), by the hours on the site."""
    operations = evidence.catalog.operations
    times = find_times(operations)
    count = len(evidence.patches)
    if operations is None or times is None or operations.crew is None:
        return np.ones(count)
    known = (evidence.unit_patch >= 0) & np.isfinite(on_site_h)
    patch_h = np.bincount(evidence.unit_patch[known], on_site_h[known], minlength=count)
    day_h = times.on_site_s * operations.crew.size / _HOUR_S
    days: FloatArray = np.maximum(np.ceil(patch_h / day_h - _ROUNDING), 1.0)
    return days


def _read_stated(evidence: Evidence, name: str) -> FloatArray:
    """Return a distance of the table of hours for every unit [m], nan where it has none."""
    values = np.r_[evidence.hours[name].to_numpy(dtype=float), np.nan]
    stated: FloatArray = values[evidence.unit_hours_row]
    return stated


def _find_paces(evidence: Evidence, times: Times) -> FloatArray:
    """Return the walking speed at each patch [m/s]: the user's, else by its slope, mean of the way up and down."""
    count = len(evidence.patches)
    if times.walk_m_per_s is not None:
        return np.full(count, times.walk_m_per_s)
    frame: pd.DataFrame = evidence.delivered.layers["patches"]
    slope: Any = np.abs(np.nan_to_num(read_number(frame, "slope_pct"))) / 100
    up, down = (_TOBLER_M_PER_S * np.exp(-3.5 * np.abs(grade + 0.05)) for grade in (slope, -slope))
    mean: FloatArray = 2 * up * down / (up + down)
    return mean
