"""In: treatments planned on units. Out: what goes onto the ground, one row for each unit and product in its tank."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import STEM_METHODS, Treatment
from tussock.base.units import HECTARE_M2
from tussock.review.doses import find_liquid_l_per_ha, find_partner_shares
from tussock.review.evidence import Evidence
from tussock.review.stems import find_drawn_units
from tussock.trade.actives import key_active

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]


def list_applied(evidence: Evidence) -> pd.DataFrame:
    """List what is applied, one row for each unit and product in its tank.

    Columns ``unit, treatment`` (places), ``product_id, active`` (its key), ``dose`` [kg ae/ha], ``stems`` [1/ha, 0
    for ground methods] and ``tank``, the dose of all products of the active in that tank [kg ae/ha].

    The dose of the first product is the one that the unit states; that of a partner follows from its share of the mix.
    """
    import pandas as pd

    pieces = [
        piece
        for place, treatment in enumerate(evidence.treatments)
        for piece in _list_products(evidence, place, treatment)
    ]
    columns: dict[str, Any] = {
        "unit": int,
        "treatment": int,
        "product_id": "str",
        "active": "str",
        "dose": float,
        "stems": float,
        "tank": float,
    }
    if not pieces:
        return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in columns.items()})
    applied = pd.concat(pieces, ignore_index=True)
    applied["tank"] = applied.groupby(["unit", "active"])["dose"].transform("sum")
    return applied[list(columns)].sort_values("unit", kind="stable", ignore_index=True)


def _list_products(evidence: Evidence, place: int, treatment: Treatment) -> list[pd.DataFrame]:
    import pandas as pd

    unit = np.flatnonzero(evidence.unit_treatment == place)
    components = evidence.components(treatment)
    if not len(unit) or not components:
        return []
    planned = evidence.units["ae_kg_per_ha"].to_numpy()[unit]
    first, part = components[0]
    partners = find_partner_shares(evidence, place)
    pieces = []
    for number, (product, share) in enumerate(components):
        if product is None:
            continue
        dose: Any = planned
        if number and treatment.spray_volume_l_per_ha is not None:
            dose = treatment.spray_volume_l_per_ha * partners[product.id] * product.strength_kg_per_l
        elif number and first is not None:
            dose = planned * (share * product.strength_kg_per_l) / (part * first.strength_kg_per_l)
        row = {"unit": unit, "treatment": place, "product_id": product.id, "active": key_active(product.active)}
        pieces.append(pd.DataFrame(row | {"dose": dose, "stems": _find_stems(evidence, treatment, unit, planned)}))
    return pieces


def _find_stems(evidence: Evidence, treatment: Treatment, unit: NDArray[np.intp], planned: FloatArray) -> FloatArray:
    if treatment.method not in STEM_METHODS:
        return np.zeros(len(unit))
    patch = evidence.unit_patch[unit]
    density = np.nan_to_num(evidence.stand.per_ha)[patch] * (patch >= 0)
    product, part = evidence.components(treatment)[0]
    strength = 0.0 if product is None else product.strength_kg_per_l
    full = find_liquid_l_per_ha(evidence, treatment, unit) * part * strength
    share = np.divide(planned, full, out=np.ones_like(full), where=full > 0)
    stems = density * np.fmin(share, 1.0)
    area_ha = evidence.units["area_m2"].to_numpy()[unit] / HECTARE_M2
    counted = np.nan_to_num(evidence.units["stems"].to_numpy()[unit]) / area_ha
    drawn = find_drawn_units(evidence)[unit] & (treatment.spray_volume_l_per_ha is None)
    return np.where(drawn, counted, stems)
