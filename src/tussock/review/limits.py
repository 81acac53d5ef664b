"""In: doses planned, earlier applications, patches on one ground. Out: findings on limits of one application and of the year."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.columns import DOSE
from tussock.base.records import STEM_METHODS
from tussock.base.text import show_dose
from tussock.review.doses import find_full_dose, find_stand
from tussock.review.evidence import Evidence, read_number
from tussock.review.rows import Row, info, pick_rows, violation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_SLACK: Final = 1e-6
#: Ground in common with a record of earlier work under this is a shared edge [m2].
_EDGE_M2: Final = 0.05
#: Two outlines of one species with this share of their joint ground in common are likely one patch drawn twice.
_LIKELY_SAME: Final = 0.8


@dataclass(frozen=True)
class Ledger:
    """What is put on the ground of each unit in the year, by active.

    Attributes
    ----------
    active
        Active of the treatment planned, lower case, blank where none.
    dose
        Planned on the treated ground [kg ae/ha], 0 where none.
    before, stems_before
        The same active by the records of earlier work [kg ae/ha, stems/ha].
    others, earlier
        The same active by other patches on the same ground; and by those that stand before it in the file.
    """

    evidence: Evidence

    @cached_property
    def active(self) -> NDArray[Any]:
        """Active planned on each unit, lower case."""
        names = [
            product.active.casefold() if product else ""
            for product in map(self.evidence.product, self.evidence.treatments)
        ]
        return np.array([*names, ""], dtype=object)[self.evidence.unit_treatment]

    @cached_property
    def dose(self) -> FloatArray:
        """Dose on the ground that is treated; where a limit holds a spraying back, its rate is still the whole one."""
        planned: Any = self.evidence.units["ae_kg_per_ha"].to_numpy()
        areal = [item.spray_volume_l_per_ha is not None for item in self.evidence.treatments]
        on_ground = np.array([*areal, False], dtype=bool)[self.evidence.unit_treatment]
        dose = np.where(on_ground, np.fmax(planned, find_full_dose(self.evidence)), planned)
        return np.where(self.active != "", np.nan_to_num(dose), 0.0)

    @cached_property
    def stems_per_ha(self) -> FloatArray:
        """Stems treated for each hectare of the patch, 0 for ground methods."""
        stem = np.array([*(item.method in STEM_METHODS for item in self.evidence.treatments), False], dtype=bool)
        density = (
            np.nan_to_num(find_stand(self.evidence).per_ha)[self.evidence.unit_patch]
            if len(self.evidence.patches)
            else 0
        )
        planned, full = self.evidence.units["ae_kg_per_ha"].to_numpy(), find_full_dose(self.evidence)
        share = np.divide(planned, full, out=np.ones_like(full), where=full > 0)
        return np.where(
            stem[self.evidence.unit_treatment] & (self.evidence.unit_patch >= 0), density * np.fmin(share, 1), 0.0
        )

    @cached_property
    def _records(self) -> tuple[IntArray, IntArray]:
        """Pairs of unit and record of earlier work on its ground, of the active that is planned."""
        layer = self.evidence.delivered.layers.get("history")
        if layer is None or not len(layer):
            return np.empty(0, np.intp), np.empty(0, np.intp)
        ground = np.asarray(layer.geometry.array, dtype=object)
        outline = self.evidence.unit_outline
        unit, record = shapely.STRtree(ground).query(outline, predicate="intersects")
        same = self.active[unit] == self.evidence.feature_column("history", "active")[record]
        unit, record = unit[same], record[same]
        area = shapely.area(shapely.intersection(outline[unit], ground[record])) * self.evidence.unit_scale[unit]
        return unit[area > _EDGE_M2].astype(np.intp), record[area > _EDGE_M2].astype(np.intp)

    def _add_records(self, column: str) -> FloatArray:
        unit, record = self._records
        total = np.zeros(len(self.evidence.units))
        if len(unit):
            values = np.nan_to_num(read_number(self.evidence.delivered.layers["history"], column))
            np.add.at(total, unit, values[record])
        return total

    @cached_property
    def before(self) -> FloatArray:
        """Earlier work."""
        return self._add_records("ae_kg_per_ha")

    @cached_property
    def stems_before(self) -> FloatArray:
        """Stems of earlier work."""
        return self._add_records("stems_per_ha")

    @cached_property
    def shared(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of units of two patches on one ground, both ways round, and the area in common [m2]."""
        return find_shared(self.evidence)

    def _add_others(self, counted: BoolArray) -> FloatArray:
        """Add up, over the other patches on the ground, the largest dose of the same active that each plans there."""
        first, second, _ = self.shared
        same = counted & (self.active[first] == self.active[second]) & (self.active[first] != "")
        first, second = first[same], second[same]
        total = np.zeros(len(self.evidence.units))
        if len(first):
            patch = self.evidence.unit_patch[second]
            order = np.lexsort((-self.dose[second], patch, first))
            _, lead = np.unique(np.column_stack([first, patch])[order], axis=0, return_index=True)
            chosen = order[lead]
            np.add.at(total, first[chosen], self.dose[second[chosen]])
        return total

    @cached_property
    def others(self) -> FloatArray:
        """Other patches on the same ground."""
        return self._add_others(np.ones(len(self.shared[0]), dtype=bool))

    @cached_property
    def earlier(self) -> FloatArray:
        """Other patches that stand before it in the file."""
        return self._add_others(self.shared[1] < self.shared[0])


def find_shared(evidence: Evidence) -> tuple[IntArray, IntArray, FloatArray]:
    """Return pairs of units of two patches with ground in common, both ways round, and its area [m2].

    Patches with less than the sliver area in common are left alone, and so are slivers of their units.
    """
    first, second, planar = evidence.unit_pairs
    place = evidence.unit_patch
    apart = (place[first] != place[second]) & (place[first] >= 0) & (place[second] >= 0)
    first, second = first[apart], second[apart]
    area = planar[apart] * evidence.unit_scale[first]
    count = max(len(evidence.patches), 1)
    low, high = np.minimum(place[first], place[second]), np.maximum(place[first], place[second])
    _, pair = np.unique(low * count + high, return_inverse=True)
    together = np.bincount(pair, area) if len(pair) else np.empty(0)
    least = evidence.catalog.sliver_area_m2
    kept = (together[pair] >= least) & (area > least) if len(pair) else np.zeros(0, dtype=bool)
    first, second, area = first[kept], second[kept], area[kept]
    return np.r_[first, second], np.r_[second, first], np.r_[area, area]


def check_limits(evidence: Evidence) -> list[Row]:
    """Check the label's limits: for one application and, with earlier work and other patches, for the year."""
    ledger = Ledger(evidence)
    rows: list[Row] = []
    limits = _list_limits(evidence)
    total = ledger.dose + ledger.before + ledger.others
    system = evidence.system
    ids, products = evidence.units["unit_id"].to_numpy(), evidence.units["product_id"].to_numpy()
    for name, amount, limit in (
        ("one application", ledger.dose, limits["application"]),
        ("the year", total, limits["year"]),
    ):
        over = (amount > limit * (1 + _SLACK)) & (ledger.dose > 0)

        def describe(k: int, name: str = name, amount: FloatArray = amount, limit: FloatArray = limit) -> Row:
            found = f"{show_dose(amount[k], system)} of {ledger.active[k]}"
            if name == "the year":
                parts = (("planned", ledger.dose), ("earlier", ledger.before), ("other patches", ledger.others))
                found += f" ({', '.join(f'{word} {part[k] / DOSE.size(system):.4g}' for word, part in parts if part[k] > 0)})"
            return violation(f"unit {ids[k]}, {products[k]}", found, f"at most {show_dose(limit[k], system)} in {name}")

        rows += pick_rows(over, describe, amount / limit)
    rows += _check_stem_limits(evidence, ledger, limits["stems"])
    rows += _check_used(evidence, ledger, limits)
    records = evidence.delivered.layers.get("history")
    count = 0 if records is None else len(records)
    return [
        *rows,
        info(
            "plan.gpkg",
            f"{int((ledger.dose > 0).sum())} doses, {count} records of earlier work, {len(ledger.shared[0]) // 2} shared pieces",
        ),
    ]


def _list_limits(evidence: Evidence) -> dict[str, FloatArray]:
    """Return the limits of each unit's product, inf where it has none."""
    fields = {
        "application": "limit_per_application_kg_per_ha",
        "year": "limit_per_year_kg_per_ha",
        "stems": "limit_stems_per_year_per_ha",
    }
    products = [evidence.product(item) for item in evidence.treatments]
    limits = {}
    for name, field in fields.items():
        values = [getattr(product, field, None) for product in products]
        table = [np.inf if value is None else value for value in values]
        limits[name] = np.array([*table, np.inf])[evidence.unit_treatment]
    return limits


def _check_stem_limits(evidence: Evidence, ledger: Ledger, limit: FloatArray) -> list[Row]:
    total = ledger.stems_per_ha + np.where(ledger.stems_per_ha > 0, ledger.stems_before, 0.0)
    ids = evidence.units["unit_id"].to_numpy()
    return pick_rows(
        total > limit * (1 + _SLACK),
        lambda k: violation(
            f"unit {ids[k]}", f"{total[k]:.4g} stems/ha", f"at most {limit[k]:.4g} stems/ha in the year"
        ),
        total,
    )


def _check_used(evidence: Evidence, ledger: Ledger, limits: dict[str, FloatArray]) -> list[Row]:
    """Check the share of the yearly limit that a unit says is used, earlier work and other patches counted."""
    planned = np.nan_to_num(evidence.units["ae_kg_per_ha"].to_numpy())
    herbicide = ledger.active != ""
    by_dose = np.where(np.isfinite(limits["year"]), (planned + ledger.before + ledger.earlier) / limits["year"], np.nan)
    by_stems = np.where(
        np.isfinite(limits["stems"]) & (ledger.stems_per_ha > 0),
        np.minimum(ledger.stems_before + ledger.stems_per_ha, limits["stems"]) / limits["stems"],
        np.nan,
    )
    least = np.where(herbicide, np.fmax(by_dose, by_stems) * 100, np.nan)
    most = least.copy()
    most[ledger.shared[0]] = np.inf  # how much of it the other patch takes hangs on the order of work
    found = evidence.units["annual_limit_used_pct"].to_numpy()
    fits = (found >= least * (1 - _SLACK)) & (found <= most * (1 + _SLACK))
    ids = evidence.units["unit_id"].to_numpy()
    return pick_rows(
        ~fits & ~(np.isnan(found) & np.isnan(least)),
        lambda k: violation(f"unit {ids[k]}, annual_limit_used_pct", f"{found[k]:.6g} %", f"{least[k]:.6g} %"),
    )


def check_overlaps(evidence: Evidence) -> list[Row]:
    """Check that ground which two patches of one species share is planned once."""
    first, second, area = find_shared(evidence)
    once = first < second
    first, second, area = first[once], second[once], area[once]
    species = evidence.patches["species"].str.casefold().to_numpy(dtype=object)
    place = evidence.unit_patch
    units = evidence.units
    planned = (units["status"] == "planned").to_numpy()
    same = (species[place[first]] == species[place[second]]) & (species[place[first]] != "")
    twice = same & planned[first] & planned[second]
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        twice,
        lambda k: violation(
            f"units {ids[first[k]]} and {ids[second[k]]}", f"{area[k]:.1f} m2 planned twice for one species", "once"
        ),
        area,
    )
    rows += _check_counted(evidence)
    return [*rows, info("plan.gpkg", f"{len(first)} shared pieces of two patches")]


def _check_counted(evidence: Evidence) -> list[Row]:
    """Check that a unit counted with another patch lies on its ground, or is the same patch drawn twice."""
    units, patches = evidence.units, evidence.patches
    from tussock.review.evidence import find_places

    claimed = np.flatnonzero((units["area_counted_with"] != "").to_numpy())
    other = find_places(patches["patch_id"], units["area_counted_with"].iloc[claimed])
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        (other < 0) | (other == evidence.unit_patch[claimed]),
        lambda k: violation(
            f"unit {ids[claimed[k]]}", f"counted with {units['area_counted_with'].iloc[claimed[k]]!r}", "another patch"
        ),
    )
    claimed, other = claimed[other >= 0], other[other >= 0]
    own = evidence.patch_outline[evidence.unit_patch[claimed]]
    far = evidence.patch_outline[other]
    outline = evidence.unit_outline[claimed]
    left = shapely.area(shapely.difference(outline, far)) * evidence.unit_scale[claimed]
    joint = shapely.area(shapely.union(own, far))
    alike = shapely.area(shapely.intersection(own, far)) >= _LIKELY_SAME * joint * (1 - _SLACK)
    most = evidence.catalog.sliver_area_m2 + 0.01 * evidence.unit_area_m2[claimed]
    return rows + pick_rows(
        (left > most) & ~alike,
        lambda k: violation(
            f"unit {ids[claimed[k]]}",
            f"counted with {units['area_counted_with'].iloc[claimed[k]]}, {left[k]:.1f} m2 off its ground",
            "on the ground of that patch",
        ),
        left,
    )
