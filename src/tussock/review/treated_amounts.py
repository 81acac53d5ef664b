"""In: treated ground, and the products and amounts stated for it. Out: findings against the plan and the label."""

from __future__ import annotations

from typing import Final

import numpy as np

from tussock.base.text import show_dose
from tussock.review.evidence import Evidence
from tussock.review.geometry import find_geodesic_area_m2
from tussock.review.rows import Row, violation, warning
from tussock.review.treated_files import Treated

#: More than this above a planned rate or amount is said; sprayers are set to within 5 % (common practice, no source).
OVER: Final = 0.05


def check_amounts(evidence: Evidence, treated: Treated, units_under: list[int], names: list[str]) -> list[Row]:
    """Compare products and amounts with those planned, and with the label.

    Parameters
    ----------
    evidence
        The plan.
    treated
        Treated ground.
    units_under
        Place of the unit that each feature lies on most; -1 where there is none.
    names
        Product used on each: stated, else as planned there.
    """
    rows: list[Row] = []
    area = find_geodesic_area_m2(treated.outline)
    volumes = treated.table["product_l"].to_numpy(dtype=float)
    units, products = evidence.units, evidence.catalog.products
    for row, label in enumerate(treated.table["label"]):
        main, name = units_under[row], names[row]
        stated = treated.table["product_id"].iloc[row]
        if stated and stated not in products:
            found, needed = f"product {stated}", "a product of the catalog"
            rows.append(violation(str(label), found, needed, "no label to check it by"))
        elif stated and main >= 0 and stated != units["product_id"].iloc[main]:
            wanted = units["product_id"].iloc[main] or "no herbicide"
            note = f"as planned on {units['unit_id'].iloc[main]}"
            rows.append(violation(str(label), f"product {stated}", str(wanted), note))
        if np.isnan(volumes[row]) or name not in products or not area[row]:
            continue
        dose = volumes[row] * products[name].strength_kg_per_l / (area[row] / 1e4)
        planned = float(units["ae_kg_per_ha"].iloc[main]) if main >= 0 else float("nan")
        rows += check_dose(evidence, str(label), name, dose, planned)
    return rows


def check_dose(evidence: Evidence, where: str, product_id: str, dose: float, planned: float) -> list[Row]:
    """Compare a dose that was applied with the label's limit for one application and the one planned [kg ae/ha]."""
    limit = evidence.catalog.products[product_id].limit_per_application_kg_per_ha
    system = evidence.system
    if limit is not None and dose > limit * (1 + 1e-9):
        note = f"above the label's limit for one application of {product_id}"
        return [violation(where, show_dose(dose, system), f"at most {show_dose(limit, system)}", note)]
    if dose > planned * (1 + OVER):
        note = f"more than {OVER:.0%} above the planned rate"
        return [warning(where, show_dose(dose, system), show_dose(planned, system), note)]
    return []
