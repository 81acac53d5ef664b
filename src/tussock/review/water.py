"""In: units, water, wet bark, candidates. Out: findings where wet ground is treated as dry, or dry ground as wet."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.labels import find_standing_in_water, find_touching_water
from tussock.review.rows import Row, info, pick_rows, violation

BoolArray = NDArray[np.bool_]

_IN_WATER: Final = "(?:reaches into|stand in) water"
_WET_BARK: Final = "the bark is mapped as wet"
_YES: Final = ("1", "1.0", "true", "yes", "wet")


def check_water(evidence: Evidence) -> list[Row]:
    """Check that candidates are allowed and refused by the water and the wet bark that are there."""
    options = evidence.options
    unit = find_places(evidence.units["unit_id"], options["unit_id"])
    names = {item.id: place for place, item in enumerate(evidence.treatments)}
    treatment = np.array([names.get(name, -1) for name in options["treatment_id"].tolist()], dtype=np.intp)
    known = (unit >= 0) & (treatment >= 0)
    wet, touching, damp = find_standing_in_water(evidence), find_touching_water(evidence), _find_wet_bark(evidence)
    dry_label = np.array(
        [
            any(product is not None and not product.aquatic_label for product, _ in evidence.components(item))
            for item in evidence.treatments
        ]
        + [False],
        dtype=bool,
    )[treatment]
    bark = np.array([item.method == "basal_bark" for item in evidence.treatments] + [False], dtype=bool)[treatment]
    allowed = known & np.isin(options["verdict"].to_numpy(dtype=object), ("chosen", "allowed"))
    reasons = options["reason"]
    says_water = reasons.str.contains(_IN_WATER, regex=True).to_numpy(dtype=bool)
    says_bark = reasons.str.contains(_WET_BARK, regex=False).to_numpy(dtype=bool)
    rows: list[Row] = []
    for bad, found, expected in (
        (allowed & wet[unit] & dry_label, "allowed without an aquatic label", "refused: the unit reaches into water"),
        (allowed & wet[unit] & bark, "allowed on bark in water", "refused: the stems stand in water"),
        (allowed & damp[unit] & bark, "allowed on wet bark", "refused: the bark is mapped as wet"),
        (known & says_water & ~touching[unit], "refused for water", "a unit that reaches into water"),
        (known & says_bark & ~damp[unit], "refused for wet bark", "a patch whose bark is mapped as wet"),
    ):
        rows += pick_rows(
            bad,
            lambda k, found=found, expected=expected: violation(  # type: ignore[misc]
                f"unit {options['unit_id'].iloc[k]}, {options['treatment_id'].iloc[k]}", found, expected
            ),
        )
    return [*rows, info("plan.gpkg", f"{int(wet.sum())} units reach into water, {int(damp.sum())} have wet bark")]


def _find_wet_bark(evidence: Evidence) -> BoolArray:
    """Tell on which units the bark is mapped as wet."""
    frame = evidence.delivered.layers["patches"]
    if "bark_wet" not in frame.columns:
        return np.zeros(len(evidence.units), dtype=bool)
    wet = frame["bark_wet"].astype(str).str.casefold().isin(_YES).to_numpy(dtype=bool)
    on_unit: BoolArray = np.r_[wet, False][evidence.unit_patch]
    return on_unit
