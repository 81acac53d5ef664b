"""In: treatments planned on units, products and rule sets. Out: findings on labels, listing and water."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.records import DELIVERY, Product
from tussock.review.evidence import Evidence
from tussock.review.geometry import rebuild
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.review.tanks import find_label_faults, find_unlisted, is_within

BoolArray = NDArray[np.bool_]

#: Ground on open water under this, or under this share of a unit, is a shared edge.
_WET_M2: Final = 0.05
_WET_SHARE: Final = 2e-6


def check_label(evidence: Evidence) -> list[Row]:
    """Check that products are used as the label says: method, share in the mix, carrier, aquatic label in water."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    rows: list[Row] = []
    for place, treatment in enumerate(evidence.treatments):
        used = evidence.unit_treatment == place
        if not used.any():
            continue
        faults = []
        for product, share in evidence.components(treatment):
            missing = ["a product in its tank is in no document"]
            faults += missing if product is None else find_label_faults(treatment, product, share)
        if faults:
            where = f"treatment {treatment.id}, {int(used.sum())} units, first {ids[np.argmax(used)]}"
            rows.append(violation(where, "; ".join(faults), "as the label says"))
    rows += _check_columns(evidence)
    rows += _check_wet(evidence)
    return [
        *rows,
        info("plan.gpkg", f"{int(evidence.sprayed.sum())} units with a herbicide against the labels in run.json"),
    ]


def _check_columns(evidence: Evidence) -> list[Row]:
    """Check the unit's own columns of method, share and carrier, whatever its treatment says."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    faults: dict[int, str] = {}
    share = units["concentration_pct"].to_numpy() / 100
    columns = zip(units["product_id"], units["method"], units["carrier"], share, strict=True)
    for place, (product_id, method, carrier, part) in enumerate(columns):
        if not product_id:
            continue
        product = evidence.catalog.products.get(product_id)
        if product is None:
            faults[place] = f"product {product_id!r} is in no document"
            continue
        span = product.methods.get(method)
        if span is None:
            faults[place] = f"{method or 'no method'} is not among the methods of {product_id}"
        elif not is_within(part, span):
            faults[place] = f"{part:.4%} is outside {span[0]:.4%} to {span[1]:.4%} of {product_id}"
        elif carrier not in product.carrier:
            faults[place] = f"{carrier or 'no carrier'} is not a carrier of {product_id}"
    bad = np.zeros(len(units), dtype=bool)
    bad[list(faults)] = True
    return pick_rows(bad, lambda k: violation(f"unit {ids[k]}", faults[k], "as the label says"))


def find_dry_ways(evidence: Evidence) -> BoolArray:
    """Tell which units are planned with a way that has no place in water: no aquatic label, or spray on bark."""
    products = evidence.catalog.products
    by_record = [
        item.method == "basal_bark"
        or any(product is not None and not product.aquatic_label for product, _ in evidence.components(item))
        for item in evidence.treatments
    ]
    by_column = [
        name in products and not products[name].aquatic_label for name in evidence.units["product_id"].tolist()
    ]
    record = np.array([*by_record, False], dtype=bool)[evidence.unit_treatment]
    dry: BoolArray = record | np.array(by_column, dtype=bool)
    return dry


def _check_wet(evidence: Evidence) -> list[Row]:
    """Check that a unit which reaches into water is planned with an aquatic label, and not by spraying bark."""
    doubt = find_dry_ways(evidence)
    if "water" not in evidence.edges or not doubt.any():
        return []
    wet_m2 = np.where(doubt, find_wet_ground_m2(evidence), 0.0)
    units = evidence.units
    bad = (wet_m2 > _WET_M2) & (wet_m2 > _WET_SHARE * evidence.unit_area_m2)
    ids, products = units["unit_id"].to_numpy(), units["product_id"].to_numpy()
    return pick_rows(
        bad,
        lambda k: violation(
            f"unit {ids[k]}",
            f"{products[k]} by {units['method'].iloc[k]} on {wet_m2[k]:.2f} m2 of water",
            "products with an aquatic label in water, and no spray on bark",
        ),
        wet_m2,
    )


def find_standing_in_water(evidence: Evidence) -> BoolArray:
    """Tell which units reach into water that is not dry: by more than a shared edge."""
    if "water" not in evidence.edges:
        return np.zeros(len(evidence.units), dtype=bool)
    wet_m2 = find_wet_ground_m2(evidence)
    wet: BoolArray = (wet_m2 > _WET_M2) & (wet_m2 > _WET_SHARE * evidence.unit_area_m2)
    return wet


def find_touching_water(evidence: Evidence) -> BoolArray:
    """Tell which units have any ground on water that is not dry, be it a shared edge."""
    if "water" not in evidence.edges:
        return np.zeros(len(evidence.units), dtype=bool)
    touching: BoolArray = find_wet_ground_m2(evidence) > 0
    return touching


def find_wet_ground_m2(evidence: Evidence) -> NDArray[np.float64]:
    """Return how much of each unit lies on water that is not dry [m2]; streams drawn as lines have their width."""
    if "wet_m2" not in evidence.memo:
        evidence.memo["wet_m2"] = _find_wet_ground_m2(evidence)
    wet_m2: NDArray[np.float64] = evidence.memo["wet_m2"]
    return wet_m2


def _find_wet_ground_m2(evidence: Evidence) -> NDArray[np.float64]:
    wet = evidence.feature_column("water", "state") != "dry"
    half = evidence.half_width_m("water")
    nearest = evidence.nearest("water", np.where(wet, half, np.nan)) if wet.any() else None
    ground = np.zeros(len(evidence.units))
    if nearest is None:
        return ground
    touching = nearest.on | (nearest.distance_m - half[nearest.owner] <= 0)
    for part, outline, edges in evidence.local:
        chosen = touching[part.members]
        members, shapes = part.members[chosen], rebuild(outline[chosen])
        if not len(members):
            continue
        local, rows = evidence.move_near("water", wet, part, edges["water"])
        ground[members] = _measure_wet(shapes, local, half[rows])
    return ground


def _measure_wet(shapes: NDArray[Any], local: NDArray[Any], half: NDArray[np.float64]) -> NDArray[np.float64]:
    box = shapely.bounds(local).reshape(-1, 4) + half[:, None] * [-1, -1, 1, 1]
    hit = np.unique(shapely.STRtree(shapely.box(*box.T)).query(shapes)[1])
    local, half = local[hit], half[hit]
    wide = half > 0
    local[wide] = shapely.buffer(local[wide], half[wide])
    local = rebuild(local)
    unit, feature = shapely.STRtree(local).query(shapes, predicate="intersects")
    area = shapely.area(shapely.intersection(shapes[unit], local[feature]))
    return np.bincount(unit, area, minlength=len(shapes)).astype(np.float64)


def check_listing(evidence: Evidence) -> list[Row]:
    """Check that every planned combination has a row in each rule set that lists what it permits."""
    rows: list[Row] = []
    ids = evidence.units["unit_id"].to_numpy()
    listing = [item.title for item in evidence.catalog.rulesets if item.ruleset.listed_only]
    if not listing:
        return [info("run.json", "no rule set that lists what it permits")]
    for (method, product), used in _list_combinations(evidence):
        rows += [
            violation(
                f"{int(used.sum())} units, first {ids[np.argmax(used)]}",
                f"{product.active} {product.form} by {DELIVERY[method]}, aquatic label: {product.aquatic_label}",
                f"a row in {title}",
                "not listed",
            )
            for title in find_unlisted(evidence, method, product)
        ]
    return [*rows, info("run.json", f"{len(listing)} rule sets that list what they permit")]


def _list_combinations(evidence: Evidence) -> Iterator[tuple[tuple[str, Product], BoolArray]]:
    """Yield each method and product that units are planned with, by their columns and by their tanks, and the units."""
    products = evidence.catalog.products
    for place, (method, product_id) in enumerate(evidence.pairs):
        if product_id in products and method in DELIVERY:
            yield (method, products[product_id]), evidence.unit_pair == place
    for place, treatment in enumerate(evidence.treatments):
        used = evidence.unit_treatment == place
        for product, _ in evidence.components(treatment)[1:] if used.any() else ():
            if product is not None:
                yield (treatment.method, product), used
