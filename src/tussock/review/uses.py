"""In: setbacks in force on units, labels. Out: findings on what the map says is left open, and on field checks."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import DELIVERY, Product
from tussock.base.verdicts import WITHIN_ERROR
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.kinds import find_unruled, speaks_of_water
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.review.tanks import find_unlisted, means_work

BoolArray = NDArray[np.bool_]

NO_HERBICIDE: Final = "no herbicide"
HAND_ONLY: Final = "hand methods only"
AQUATIC_ONLY: Final = "aquatic-labelled only"
OPEN: Final = "open"


def check_uses(evidence: Evidence) -> list[Row]:
    """Check the class of use that colours a unit on the map, and the setbacks that it says to check in the field."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    rows = _check_doubts(evidence)
    if not evidence.catalog.products:
        return [*rows, info("plan.gpkg", "not checked: what is left open, for no product is in the documents")]
    dry, wet = find_classes(evidence)
    found = units["allowed_use"].to_numpy(dtype=object)
    touching = _find_touching(evidence)
    sure, maybe = find_unruled(evidence)
    closed = sure | (not speaks_of_water(evidence))
    dry, wet = np.where(closed, NO_HERBICIDE, dry), np.where(closed, NO_HERBICIDE, wet)
    rows += pick_rows(
        (found != dry) & ~(touching & (found == wet)) & ~(maybe & (found == NO_HERBICIDE)),
        lambda k: violation(
            f"unit {ids[k]}, allowed_use", str(found[k]), str(dry[k]), "by the setbacks in force on it"
        ),
    )
    return [*rows, info("plan.gpkg", f"{len(ids)} units, {len(evidence.catalog.products)} products")]


def find_classes(evidence: Evidence) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return the class of each unit by the setbacks that it lists, on dry ground and where it reaches into water.

    Setbacks of a season close dates and not the unit, and so do those that a survey can lift.
    """
    probes: list[tuple[str, Product]] = [
        (method, product) for product in evidence.catalog.products.values() for method in product.methods
    ]
    open_probes = np.array([not find_unlisted(evidence, *probe) for probe in probes], dtype=bool)
    closed = np.zeros((len(evidence.measured), len(probes)), dtype=bool)
    for place, item in enumerate(evidence.measured):
        setback = item.setback
        if setback.forbids is not None and setback.season is None and not setback.unless_surveyed:
            closed[place] = [means_work(setback.forbids, *probe) for probe in probes]
    patterns, code = np.unique(evidence.listed.T, axis=0, return_inverse=True)
    left = ~((patterns.astype(int) @ closed.astype(int)) > 0) & open_probes
    aquatic = np.array([product.aquatic_label for _, product in probes], dtype=bool)
    dry, wet = np.empty(len(left), dtype=object), np.empty(len(left), dtype=object)
    dry[:] = [_name_class(row, probes) for row in left]
    wet[:] = [_name_class(row, probes) for row in left & aquatic]
    code = np.asarray(code).ravel()
    return dry[code], wet[code]


def _name_class(left: BoolArray, probes: list[tuple[str, Product]]) -> str:
    kept = [probe for probe, stays in zip(probes, left.tolist(), strict=True) if stays]
    if not kept:
        return NO_HERBICIDE
    if all(DELIVERY[method] == "hand" for method, _ in kept):
        return HAND_ONLY
    return AQUATIC_ONLY if all(product.aquatic_label for _, product in kept) else OPEN


def _find_touching(evidence: Evidence) -> BoolArray:
    """Tell which units touch water that is not dry."""
    wet = evidence.feature_column("water", "state") != "dry"
    if not wet.any():
        return np.zeros(len(evidence.units), dtype=bool)
    half = evidence.half_width_m("water")
    nearest = evidence.nearest("water", np.where(wet, half, np.nan))
    touching: BoolArray = nearest.on | (nearest.distance_m - half[nearest.owner] <= 0)
    return touching


def _check_doubts(evidence: Evidence) -> list[Row]:
    """Check that a setback whose distance lies within the mapping error is among those to check in the field."""
    table, units = evidence.compliance, evidence.units
    doubt = table[table["distance_verdict"] == WITHIN_ERROR]
    place = find_places(units["unit_id"], doubt["unit_id"])
    names = doubt["setback_id"].tolist()
    checks = evidence.table("unit_checks")
    told = set(zip(checks["unit_id"], checks["setback_id"], strict=True))
    silent = [
        k >= 0 and pair not in told
        for k, pair in zip(place.tolist(), zip(doubt["unit_id"], names, strict=True), strict=True)
    ]
    ids = units["unit_id"].to_numpy()
    return pick_rows(
        np.array(silent, dtype=bool),
        lambda k: violation(
            f"unit {ids[place[k]]}, check_in_field", f"nothing of {names[k]}", f"{names[k]}: within the error"
        ),
    )
