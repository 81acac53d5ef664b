"""In: stems as mapped, by patch or by diameter class. Out: stems, liquid and cuts that each unit should have."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.records import STEM_METHODS, Treatment
from tussock.base.units import HECTARE_M2
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, pick_rows, show_number, violation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

Counted = tuple[IntArray, IntArray, FloatArray]

_SLACK: Final = 1e-9
#: Stems mapped as points this near to the edge between two units may be counted with either [degrees, some 2 cm].
_ON_EDGE_DEG: Final = 2e-7
#: Ways to share the stems of a unit in whole stems that are looked through.
_MOST_WAYS: Final = 20_000
#: Whole stems: one by sharing among units, one by a limit.
_WHOLE: Final = 2.0


def find_liquid_per_stem(treatment: Treatment, diameter_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mix [L] and injection cuts for one stem of each diameter.

    Injection: cuts x dose, one cut for each step of diameter or of circumference, rounded up, at least one; cuts are
    nan without such a rule. Cut stump: a dose for each cut, or for the area of the ring, pi/4 (d^2 - (d - 2w)^2).
    Basal bark: pi d h x dose.
    """
    one = np.ones_like(diameter_m)
    cuts = one * math.nan
    if treatment.cut_per_diameter_m is not None:
        cuts = _count_steps(diameter_m / treatment.cut_per_diameter_m)
    elif treatment.cut_spacing_m is not None:
        cuts = _count_steps(np.pi * diameter_m / treatment.cut_spacing_m)
    if treatment.dose_per_stem_l is not None:
        return one * treatment.dose_per_stem_l, cuts
    if treatment.method == "stem_injection":
        return cuts * (treatment.dose_per_cut_l or math.nan), cuts
    if treatment.method == "cut_stump":
        if treatment.dose_per_ring_area_l_per_m2 is None:
            return one * (treatment.dose_per_cut_l or math.nan), cuts
        core = np.maximum(diameter_m - 2 * (treatment.ring_width_m or math.nan), 0.0)
        return np.pi / 4 * (diameter_m**2 - core**2) * treatment.dose_per_ring_area_l_per_m2, cuts
    film = treatment.dose_per_bark_area_l_per_m2 or math.nan
    return np.pi * diameter_m * (treatment.band_height_m or math.nan) * film, cuts


def counts_cuts(treatment: Treatment) -> bool:
    """Tell whether a treatment says how many injection cuts a stem takes."""
    ruled = treatment.cut_per_diameter_m is not None or treatment.cut_spacing_m is not None
    return treatment.method == "stem_injection" and ruled


def _count_steps(steps: FloatArray) -> FloatArray:
    counted: FloatArray = np.maximum(np.ceil(steps - _SLACK * np.maximum(1.0, steps)), 1.0)
    return counted


def find_stem_liquid_l_per_ha(
    evidence: Evidence, treatment: Treatment, unit: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least and the most mix of a stem method on a hectare of some units [L/ha], shape (n,).

    Stems mapped as points are taken with the ground of the unit that they stand on; a point on the edge of two units
    may stand on either. Other stems are spread evenly over their patch.
    """
    stand = evidence.stand
    each, _ = find_liquid_per_stem(treatment, stand.diameter_m)
    low = stand.add_up(each * stand.class_per_ha)[evidence.unit_patch[unit]]
    high = low.copy()
    drawn = _count_drawn(evidence)
    if drawn is not None:
        sure, maybe, placed = drawn
        own = np.isin(evidence.unit_patch[unit], placed)
        area_ha = evidence.units["area_m2"].to_numpy()[unit[own]] / HECTARE_M2
        surely, perhaps = (
            np.bincount(units, each[item] * count, minlength=len(evidence.units))
            for units, item, count in (sure, maybe)
        )
        low[own] = surely[unit[own]] / area_ha
        high[own] = (surely + perhaps)[unit[own]] / area_ha
    return low, high


def find_drawn_units(evidence: Evidence) -> BoolArray:
    """Tell which units belong to a patch whose stems were mapped as points, shape (u,)."""
    drawn = _count_drawn(evidence)
    own: BoolArray = np.isin(evidence.unit_patch, () if drawn is None else drawn[2])
    return own


def find_fitting(evidence: Evidence, treatment: Treatment) -> BoolArray:
    """Tell on which units a treatment is made for the diameters of the stems, shape (u,).

    On a unit of a patch whose stems were mapped as points, those that surely stand on it count.
    """
    stand = evidence.stand
    if treatment.stem_diameter_m is None:
        return np.ones(len(evidence.units), dtype=bool)
    low, high = treatment.stem_diameter_m
    fits = (stand.diameter_m >= low - _SLACK) & (stand.diameter_m <= high + _SLACK)
    every = np.bincount(stand.patch, ~fits, minlength=len(stand.per_ha)) == 0
    every &= np.bincount(stand.patch, minlength=len(stand.per_ha)) > 0
    fitting: BoolArray = np.r_[every, False][evidence.unit_patch]
    drawn = _count_drawn(evidence)
    if drawn is not None:
        (unit, item, _), _, _ = drawn
        odd = np.bincount(unit, ~fits[item], minlength=len(evidence.units)) > 0
        fitting = np.where(find_drawn_units(evidence), ~odd, fitting)
    return fitting


@dataclass(frozen=True)
class Shares:
    """Stems of each diameter class on each unit, in whole stems as far as sharing leaves open.

    Attributes
    ----------
    unit, diameter_m
        One row for each unit and class of its patch, shape (k,).
    least, most
        Stems of that class on that unit.
    """

    unit: IntArray
    diameter_m: FloatArray
    least: FloatArray
    most: FloatArray


def share_stems(evidence: Evidence, units: IntArray) -> Shares:
    """Return the stems of each class on some units: those mapped as points where they stand, others by area.

    A class is shared among the units of a patch in whole stems: each unit gets its share rounded down or up.
    """
    stand = evidence.stand
    order = np.argsort(stand.patch, kind="stable")
    first = np.searchsorted(stand.patch[order], evidence.unit_patch[units])
    last = np.searchsorted(stand.patch[order], evidence.unit_patch[units], side="right")
    count = np.where(evidence.unit_patch[units] >= 0, last - first, 0)
    row = np.repeat(np.arange(len(units)), count)
    within = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    item = order[np.repeat(first, count) + within]
    owner = units[row]
    patch_m2 = evidence.patches["area_m2"].to_numpy()[stand.patch[item]]
    whole = np.rint(stand.class_per_ha[item] * patch_m2 / HECTARE_M2)
    fair = whole * evidence.units["area_m2"].to_numpy()[owner] / patch_m2
    slack = 1e-9 * np.maximum(fair, 1.0)
    least, most = np.floor(fair - slack), np.ceil(fair + slack)
    drawn = _count_drawn(evidence)
    if drawn is not None:
        sure, maybe, placed = drawn
        own = np.isin(stand.patch[item], placed)
        key, loose = _sum_pairs(sure), _sum_pairs(maybe)
        for place in np.flatnonzero(own).tolist():
            pair = int(owner[place]), int(item[place])
            least[place] = key.get(pair, 0.0)
            most[place] = least[place] + loose.get(pair, 0.0)
    return Shares(owner.astype(np.intp), stand.diameter_m[item], np.maximum(least, 0.0), most)


def _sum_pairs(counted: Counted) -> dict[tuple[int, int], float]:
    """Add up stems by unit and class."""
    total: dict[tuple[int, int], float] = {}
    for unit, item, count in zip(*(column.tolist() for column in counted), strict=True):
        total[unit, item] = total.get((unit, item), 0.0) + count
    return total


def _count_drawn(evidence: Evidence) -> tuple[Counted, Counted, IntArray] | None:
    """Return stems mapped as points by unit and class: those that surely stand there, those on an edge; the patches."""
    if "drawn_stems" not in evidence.memo:
        evidence.memo["drawn_stems"] = _place_drawn(evidence)
    drawn: tuple[Counted, Counted, IntArray] | None = evidence.memo["drawn_stems"]
    return drawn


def _place_drawn(evidence: Evidence) -> tuple[Counted, Counted, IntArray] | None:
    table = evidence.stems
    place = find_places(evidence.patches["patch_id"], table["patch_id"])
    drawn = np.flatnonzero((place >= 0) & np.isfinite(table["lon"].to_numpy()))
    if not len(drawn):
        return None
    points = shapely.points(table["lon"].to_numpy()[drawn], table["lat"].to_numpy()[drawn])
    row, unit = shapely.STRtree(evidence.unit_degrees).query(points, predicate="dwithin", distance=_ON_EDGE_DEG)
    own = evidence.unit_patch[unit] == place[drawn[row]]
    row, unit = row[own], unit[own]
    alone = np.bincount(row, minlength=len(drawn))[row] == 1
    item = evidence.stand.row_class[drawn[row]]
    count = table["stem_count"].to_numpy()[drawn[row]]
    sure, maybe = ((unit[some], item[some], count[some]) for some in (alone, ~alone))
    return sure, maybe, np.unique(place[drawn])


def find_spans(evidence: Evidence, treatment: Treatment, units: IntArray) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return the least and the most stems, liquid [L] and cuts that some units of a treatment can have, shape (n,).

    For the stems of a unit the liquid lies between what they take if the open ones are the thinnest or the thickest.
    """
    shares = share_stems(evidence, units)
    place = np.searchsorted(units, shares.unit)
    each, cuts = find_liquid_per_stem(treatment, shares.diameter_m)
    spans = {}
    for name, size in (("stems", np.ones_like(each)), ("spray_l", each), ("cuts", cuts)):
        low, high = (
            np.bincount(place, size * number, minlength=len(units)).astype(np.float64)
            for number in (shares.least, shares.most)
        )
        spans[name] = low, high
    return spans


def check_stems(evidence: Evidence, share: FloatArray) -> list[Row]:
    """Check that the stems of a patch are shared among its units in whole stems, and what they take of mix and cuts.

    Parameters
    ----------
    evidence
        Units and stems.
    share
        Share of each unit's treatment that a limit leaves, shape (u,).
    """
    units, place = evidence.units, evidence.unit_patch
    stems = units["stems"].to_numpy()
    ids = units["unit_id"].to_numpy()
    own = np.flatnonzero((place >= 0) & ~np.isnan(stems))
    rows: list[Row] = []
    shares = share_stems(evidence, own)
    where = np.searchsorted(own, shares.unit)
    low, high = (np.bincount(where, number, minlength=len(own)) * share[own] for number in (shares.least, shares.most))
    rounded = np.where(share[own] < 1, np.bincount(where, minlength=len(own)), 0)  # a limit leaves whole stems
    off = np.maximum(np.maximum(low - rounded - _WHOLE - stems[own], stems[own] - high - _WHOLE), 0.0)
    rows += pick_rows(
        ~(off <= 0),
        lambda k: violation(
            f"unit {ids[own[k]]}, stems",
            show_number(stems[own[k]]),
            f"{low[k]:.1f} to {high[k]:.1f}",
            "stems of its patch, shared by area or where they are mapped",
        ),
        off,
    )
    return [*rows, *_check_totals(evidence, share, stems), *_check_liquid(evidence, share)]


def _check_totals(evidence: Evidence, share: FloatArray, stems: FloatArray) -> list[Row]:
    """Check that no stem of a patch is lost and none added."""
    place, stand, count = evidence.unit_patch, evidence.stand, len(evidence.patches)
    own = (place >= 0) & ~np.isnan(stems)
    total = np.bincount(place[own], stems[own], minlength=count)
    wanted = np.rint(stand.add_up(np.rint(stand.class_per_ha * _find_area_ha(evidence)[stand.patch])))
    whole = np.bincount(place[own & (share >= 1)], minlength=count) == np.bincount(place[place >= 0], minlength=count)
    over = (total > wanted) | (whole & (total != wanted) & (total > 0))
    patch_ids = evidence.patches["patch_id"].to_numpy()
    return pick_rows(
        over & ~np.isnan(wanted),
        lambda k: violation(
            f"patch {patch_ids[k]}, stems", show_number(total[k]), show_number(wanted[k]), "stems of its units"
        ),
    )


def _find_area_ha(evidence: Evidence) -> FloatArray:
    area: FloatArray = evidence.patches["area_m2"].to_numpy(dtype=np.float64) / HECTARE_M2
    return area


def _check_liquid(evidence: Evidence, share: FloatArray) -> list[Row]:
    """Check mix and cuts of units whose patch has several diameter classes: they follow from the stems of each."""
    rows: list[Row] = []
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    for place, treatment in enumerate(evidence.treatments):
        own = np.flatnonzero(
            (evidence.unit_treatment == place) & has_classes(evidence)[evidence.unit_patch] & (evidence.unit_patch >= 0)
        )
        if treatment.method not in STEM_METHODS or treatment.spray_volume_l_per_ha is not None or not len(own):
            continue
        spans = find_spans(evidence, treatment, own)
        for name in ("spray_l", "cuts") if counts_cuts(treatment) else ("spray_l",):
            low, high = spans[name]
            found = units[name].to_numpy()[own]
            held = share[own] < 1
            scaled_low = np.where(held, 0.0, low)
            bad = ~((found >= scaled_low * (1 - 1e-8)) & (found <= high * (1 + 1e-8)))
            bad |= ~held & ~_can_be(evidence, treatment, own, name)
            rows += pick_rows(bad, _describer(ids[own], name, found, low, high))
    return rows


def _can_be(evidence: Evidence, treatment: Treatment, units: IntArray, name: str) -> BoolArray:
    """Tell which units state liquid or cuts that some sharing of whole stems gives, together with their stems.

    Of each class a unit can have its share rounded down or up; where that leaves too many ways, the span decides.
    """
    shares = share_stems(evidence, units)
    each, cuts = find_liquid_per_stem(treatment, shares.diameter_m)
    size = each if name == "spray_l" else cuts
    can = np.ones(len(units), dtype=bool)
    for place, unit in enumerate(units.tolist()):
        own = shares.unit == unit
        numbers = [np.arange(low, high + 0.5) for low, high in zip(shares.least[own], shares.most[own], strict=True)]
        if not numbers or math.prod(map(len, numbers)) > _MOST_WAYS:
            continue
        ways = np.stack([axis.ravel() for axis in np.meshgrid(*numbers, indexing="ij")])
        total, amount = ways.sum(axis=0), size[own] @ ways
        stems = float(evidence.units["stems"].iloc[unit])
        stated = float(evidence.units[name].iloc[unit])
        can[place] = bool(((total == stems) & (np.abs(amount - stated) <= 1e-8 * max(stated, 1e-12))).any())
    return can


def has_classes(evidence: Evidence) -> BoolArray:
    """Tell which patches have rows in the stem table, shape (patches,); one more for no patch."""
    listed = evidence.patches["patch_id"].isin(evidence.stems["patch_id"]).to_numpy(dtype=bool)
    classes: BoolArray = np.r_[listed, False]
    return classes


def _describer(ids: NDArray[Any], name: str, found: FloatArray, low: FloatArray, high: FloatArray) -> Any:
    def describe(k: int) -> Row:
        return violation(
            f"unit {ids[k]}, {name}",
            show_number(found[k]),
            f"{show_number(low[k])} to {show_number(high[k])}",
            "from the stems of each diameter class",
        )

    return describe
