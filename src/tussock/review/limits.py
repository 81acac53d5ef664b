"""In: doses planned, earlier applications, patches on one ground. Out: findings on limits of the label."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.columns import DOSE
from tussock.base.records import STEM_METHODS
from tussock.base.text import show_dose
from tussock.review.applied import list_applied
from tussock.review.columns import find_places, read_number
from tussock.review.evidence import Evidence
from tussock.review.ground import AREA_TOLERANCE
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.trade.actives import key_active, name_active

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_SLACK: Final = 1e-6
_DAY_S: Final = 86_400.0
#: Ground in common with a record of earlier work under this, and under half of the unit, is a shared edge [m2].
_EDGE_M2: Final = 0.05
#: Two outlines of one species with this share of their joint ground in common are likely one patch drawn twice.
_LIKELY_SAME: Final = 0.8


@dataclass(frozen=True)
class Ledger:
    """What is put on each piece of ground in the year: `applied.list_applied`, with earlier work and other patches."""

    evidence: Evidence

    @cached_property
    def applied(self) -> pd.DataFrame:
        """One row for each unit and product in its tank."""
        return list_applied(self.evidence)

    @cached_property
    def records(self) -> pd.DataFrame:
        """Pairs of an application and a record of earlier work with the same active on its ground.

        Columns ``entry`` (row of `applied`), ``dose, stems, product_id, date``.
        """
        import pandas as pd

        layer = self.evidence.delivered.layers.get("history")
        if layer is None or not len(layer) or not len(self.applied):
            kinds: dict[str, Any] = {"entry": int, "dose": float, "stems": float, "product_id": "str", "date": "str"}
            return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in kinds.items()})
        unit, record = self._find_covered(np.asarray(layer.geometry.array, dtype=object))
        listed = pd.DataFrame(
            {
                "record": np.arange(len(layer)),
                "active": list(map(key_active, self.evidence.record_active)),
                "product_id": self.evidence.record_product,
                "dose": np.nan_to_num(read_number(layer, "ae_kg_per_ha")),
                "stems": np.nan_to_num(read_number(layer, "stems_per_ha")),
                "date": layer["date"].astype(str).str[:10] if "date" in layer.columns else "",
            }
        )
        pairs = pd.DataFrame({"unit": unit, "record": record}).merge(listed, on="record")
        own = self.applied[["unit", "active"]].rename_axis("entry").reset_index()
        return own.merge(pairs, on=["unit", "active"])

    def _find_covered(self, ground: NDArray[Any]) -> tuple[IntArray, IntArray]:
        """Return pairs of unit and record on its ground."""
        outline = self.evidence.unit_ground
        unit, record = shapely.STRtree(ground).query(outline, predicate="intersects")
        area = shapely.area(shapely.intersection(outline[unit], ground[record])) * self.evidence.unit_scale[unit]
        covered = (area > _EDGE_M2) | (area > self.evidence.unit_area_m2[unit] / 2)
        return unit[covered].astype(np.intp), record[covered].astype(np.intp)

    def sum_records(self, column: str) -> FloatArray:
        """Add up a column of the records for each application."""
        return _sum_by(self.records["entry"], self.records[column], len(self.applied))

    @cached_property
    def shared(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of units of two patches on one ground, both ways round, and the area in common [m2]."""
        return find_shared(self.evidence)

    @cached_property
    def neighbours(self) -> pd.DataFrame:
        """Applications of the same active by other patches on the ground of each application.

        Columns ``entry, patch, earlier`` (whether that patch stands before it in the file), ``tank`` (dose of all
        products of the active in that tank), ``product_id``; the largest tank of each other patch first.
        """
        import pandas as pd

        first, second, _ = self.shared
        own = self.applied[["unit", "active"]].rename_axis("entry").reset_index()
        other = self.applied[["unit", "active", "tank", "product_id"]].rename(columns={"unit": "second"})
        pairs = pd.DataFrame({"unit": first, "second": second, "patch": self.evidence.unit_patch[second]})
        joined = own.merge(pairs, on="unit").merge(other, on=["second", "active"])
        joined = joined.assign(earlier=joined["second"] < joined["unit"])
        return joined.sort_values("tank", ascending=False, kind="stable")

    def sum_neighbours(self) -> FloatArray:
        """Add up what other patches put on the ground of each application."""
        table = self.neighbours.drop_duplicates(["entry", "patch"])
        return _sum_by(table["entry"], table["tank"], len(self.applied))


def _sum_by(place: pd.Series[Any], values: pd.Series[Any], count: int) -> FloatArray:
    return np.bincount(place.to_numpy(dtype=np.intp), values.to_numpy(dtype=float), minlength=count).astype(np.float64)


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
    applied = ledger.applied
    rows = [
        *_check_records(evidence),
        *_check_doses(evidence, ledger),
        *_check_counts(evidence, ledger),
        *_check_used(evidence, ledger),
    ]
    records = evidence.delivered.layers.get("history")
    count = 0 if records is None else len(records)
    text = f"{len(applied)} doses, {count} records of earlier work, {len(ledger.shared[0]) // 2} shared pieces"
    return [*rows, info("plan.gpkg", text)]


def _check_records(evidence: Evidence) -> list[Row]:
    """Check that each record of earlier work is of an active that is known, and of that of the product it names."""
    if "history" not in evidence.delivered.layers:
        return []
    products, own = evidence.catalog.products, evidence.catalog.active_names
    rows = []
    for place, (product_id, written) in enumerate(zip(evidence.record_product, evidence.record_written, strict=True)):
        named, product = name_active(written, own), products.get(product_id)
        where = f"history, row {place + 1}, active"
        if named is None and (written or product is None):
            rows.append(violation(where, written or "a blank", "an active that is known", "it is counted as written"))
        elif named is not None and product is not None and key_active(named) != key_active(product.active):
            rows.append(violation(where, written, f"{product.active}, as {product_id} is", "counted as its product"))
    return pick_rows(np.ones(len(rows), dtype=bool), lambda k: rows[k])


def _list_limits(evidence: Evidence, applied: pd.DataFrame, field: str) -> FloatArray:
    """Return a limit of the product of each application, inf where it has none."""
    limits = {name: getattr(product, field) for name, product in evidence.catalog.products.items()}
    values = [limits.get(name) for name in applied["product_id"].tolist()]
    return np.array([np.inf if value is None else float(value) for value in values], dtype=np.float64)


def _find_year_limits(evidence: Evidence, ledger: Ledger) -> FloatArray:
    """Return the yearly limit that binds the ground of each application: the strictest label of all that it gets."""
    applied = ledger.applied
    own = _list_limits(evidence, applied, "limit_per_year_kg_per_ha")
    known = {
        name: product.limit_per_year_kg_per_ha
        for name, product in evidence.catalog.products.items()
        if product.limit_per_year_kg_per_ha is not None
    }
    for table in (ledger.records, ledger.neighbours):
        limit = table["product_id"].map(known).fillna(np.inf).to_numpy(dtype=float)
        np.minimum.at(own, table["entry"].to_numpy(dtype=np.intp), limit)
    return own


def _name(evidence: Evidence, applied: pd.DataFrame, row: int) -> str:
    return f"unit {evidence.units['unit_id'].iloc[int(applied['unit'].iloc[row])]}, {applied['product_id'].iloc[row]}"


def _check_doses(evidence: Evidence, ledger: Ledger) -> list[Row]:
    applied, system = ledger.applied, evidence.system
    own = applied["dose"].to_numpy(dtype=float)
    tank = applied["tank"].to_numpy(dtype=float)
    before, others = ledger.sum_records("dose"), ledger.sum_neighbours()
    rows: list[Row] = []
    for name, amount, limit in (
        ("one application", tank, _list_limits(evidence, applied, "limit_per_application_kg_per_ha")),
        ("the year", tank + before + others, _find_year_limits(evidence, ledger)),
    ):

        def describe(k: int, name: str = name, amount: FloatArray = amount, limit: FloatArray = limit) -> Row:
            found = f"{show_dose(amount[k], system)} of {applied['active'].iloc[k]}"
            if name == "the year":
                parts = (("planned", tank), ("earlier", before), ("other patches", others))
                size = DOSE.size(system)
                found += f" ({', '.join(f'{word} {part[k] / size:.4g}' for word, part in parts if part[k] > 0)})"
            return violation(_name(evidence, applied, k), found, f"at most {show_dose(limit[k], system)} in {name}")

        rows += pick_rows((amount > limit * (1 + _SLACK)) & (own > 0), describe, amount / limit)
    return rows


def _check_counts(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check limits in stems, the number of applications, and the least time between two."""
    applied = ledger.applied
    stems = applied["stems"].to_numpy(dtype=float)
    total = np.where(stems > 0, stems + ledger.sum_records("stems"), 0.0)
    most = _list_limits(evidence, applied, "limit_stems_per_year_per_ha")
    rows = pick_rows(
        total > most * (1 + AREA_TOLERANCE),
        lambda k: violation(
            _name(evidence, applied, k), f"{total[k]:.5g} stems/ha", f"at most {most[k]:.5g} stems/ha in the year"
        ),
        total,
    )
    unit, treatment = (applied[name].to_numpy(dtype=np.intp) for name in ("unit", "treatment"))
    by_stem = np.array([item.method in STEM_METHODS for item in evidence.treatments] + [False])[treatment]
    unknown = np.isnan(np.r_[evidence.stand.per_ha, np.nan])[evidence.unit_patch[unit]]
    rows += pick_rows(
        by_stem & unknown & np.isfinite(most),
        lambda k: violation(_name(evidence, applied, k), "no stems are mapped", f"at most {most[k]:.5g} stems/ha"),
    )
    done = _count_applications(ledger)
    number = _list_limits(evidence, applied, "max_applications_per_year")
    rows += pick_rows(
        done + 1 > number,
        lambda k: violation(
            _name(evidence, applied, k), f"application {done[k] + 1:.0f} of the year", f"at most {number[k]:.0f}"
        ),
    )
    return rows + _check_intervals(evidence, ledger)


def _count_applications(ledger: Ledger) -> FloatArray:
    """Count the applications of the same product that stand before each: records, and patches earlier in the file."""
    applied = ledger.applied
    names = applied["product_id"]
    records = ledger.records
    same = records["product_id"].eq("") | records["product_id"].eq(records["entry"].map(names))
    patches = ledger.neighbours[ledger.neighbours["earlier"]]
    alike = patches[patches["product_id"].eq(patches["entry"].map(applied["product_id"]))]
    alike = alike.drop_duplicates(["entry", "patch"])
    one = _sum_by(records.loc[same, "entry"], records.loc[same, "dose"] * 0 + 1, len(applied))
    return one + _sum_by(alike["entry"], alike["tank"] * 0 + 1, len(applied))


def _check_intervals(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check that planned dates keep the least interval after a record of earlier work."""
    applied, rows = ledger.applied, []
    waits = {name: product.min_interval_s for name, product in evidence.catalog.products.items()}
    for record in ledger.records.to_dict("records"):
        entry = int(record["entry"])
        wait = waits.get(str(applied["product_id"].iloc[entry]))
        first = str(evidence.units["season_from"].iloc[int(applied["unit"].iloc[entry])])
        if wait is None:
            continue
        try:
            again = dt.date.fromisoformat(str(record["date"])) + dt.timedelta(days=round(wait / _DAY_S))
            early = dt.date.fromisoformat(first) < again
        except ValueError:
            rows.append(violation(_name(evidence, applied, entry), f"{record['date']!r} and {first!r}", "two dates"))
            continue
        if early:
            rows.append(
                violation(_name(evidence, applied, entry), f"from {first}", f"not before {again}, the interval")
            )
    return rows


def _check_used(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check the share of the yearly limit that a unit says is used, earlier work and other patches counted."""
    applied = ledger.applied
    dose, stems = applied["tank"].to_numpy(dtype=float), applied["stems"].to_numpy(dtype=float)
    year = _find_year_limits(evidence, ledger)
    most_stems = _list_limits(evidence, applied, "limit_stems_per_year_per_ha")
    other = ledger.sum_records("dose") + ledger.sum_neighbours()
    by_dose = np.where(np.isfinite(year), (dose + other) / year, np.nan)
    by_stems = np.minimum(ledger.sum_records("stems") + stems, most_stems) / most_stems
    by_stems = np.where(np.isfinite(most_stems) & (stems > 0), by_stems, np.nan)
    least = np.full(len(evidence.units), np.nan)
    np.fmax.at(least, applied["unit"].to_numpy(dtype=np.intp), np.fmax(by_dose, by_stems) * 100)
    most = least.copy()
    first, second, _ = evidence.unit_pairs
    apart = evidence.unit_patch[first] != evidence.unit_patch[second]
    for unit in (first[apart], second[apart]):
        most[unit] = np.inf  # the plan counts the heaviest dose that another patch plans anywhere on shared ground
    found = evidence.units["annual_limit_used_pct"].to_numpy()
    fits = (found >= least * (1 - AREA_TOLERANCE)) & (found <= most * (1 + AREA_TOLERANCE))
    ids = evidence.units["unit_id"].to_numpy()
    return pick_rows(
        ~fits & ~(np.isnan(found) & (np.isnan(least) | (least == 0))),
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
    own = evidence.patch_ground[evidence.unit_patch[claimed]]
    far = evidence.patch_ground[other]
    outline = evidence.unit_ground[claimed]
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
