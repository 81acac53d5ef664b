"""In: the treatment chosen on a unit. Out: liquid, product, acid equivalent, seconds, stems and cuts of that unit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tussock.base.records import STEM_METHODS, Operations, Product
from tussock.prescribe.judge import Verdict
from tussock.prescribe.limits import Limited
from tussock.trade.calibration import find_spray_seconds

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: Areas are true to this share, so a limit in stems for an area is counted with it: 399.999 stems are 400.
AREA_TOLERANCE: Final = 1e-5


@dataclass(frozen=True)
class Chosen:
    """The treatment chosen on a unit and what the limits leave of it; no product for a non-chemical way."""

    verdict: Verdict
    limited: Limited
    product: Product | None


@dataclass(frozen=True)
class Amounts:
    """Amounts of one unit (SI); nan where unknown, 0 where nothing is applied."""

    infested_m2: float
    infested_low_m2: float
    infested_high_m2: float
    spray_l: float = 0.0
    product_l: float = 0.0
    ae_kg: float = 0.0
    ae_kg_per_ha: float = 0.0
    spray_s: float = math.nan
    stems: float = math.nan
    cuts: float = math.nan
    spray_l_per_ha: float = math.nan
    dye_l: float = 0.0
    adjuvant_l: float = 0.0
    stems_left: float = 0.0

    def columns(self) -> dict[str, float]:
        """Return the amounts under their column names."""
        return {name: value for name, value in asdict(self).items() if name != "stems_left"}


def share_stems(patches: gpd.GeoDataFrame, units: gpd.GeoDataFrame) -> dict[str, int]:
    """Share the stems of each patch among its units by area, in whole stems that add up to the patch's.

    Returns
    -------
    dict
        Unit id -> stems; units of patches without stems are left out.
    """
    counts = patches["stem_count"].to_numpy(dtype=float)
    density = patches["stems_per_ha"].to_numpy(dtype=float)
    total = np.where(np.isnan(counts), density * patches["area_m2"].to_numpy() / 10_000, counts)
    shared: dict[str, int] = {}
    for patch_id, stems in zip(patches.index, total, strict=True):
        if math.isnan(stems):
            continue
        own = units.loc[units["patch_id"] == patch_id, "area_m2"]
        exact = own.to_numpy() / own.sum() * round(stems)
        whole = np.floor(exact).astype(int)
        left = round(stems) - int(whole.sum())
        order = np.argsort(-(exact - whole), kind="stable")
        whole[order[:left]] += 1
        shared |= dict(zip(own.index, whole.tolist(), strict=True))
    return shared


def find_amounts(
    chosen: Chosen | None,
    unit: pd.Series[Any],
    patch: Mapping[str, Any],
    stems: int,
    operations: Operations | None,
) -> Amounts:
    """Find the amounts of one unit.

    Parameters
    ----------
    chosen
        None where nothing is planned.
    unit
        With ``area_m2``.
    patch
        With ``cover_pct, cover_low_pct, cover_high_pct``.
    stems
        Stems on the unit.
    operations
        Flow of the equipment, where the treatment gives none.
    """
    likely, low, high = (
        unit["area_m2"] * patch[name] / 100 for name in ("cover_pct", "cover_low_pct", "cover_high_pct")
    )
    if chosen is None:
        return Amounts(likely, low, high)
    treatment = chosen.verdict.treatment
    if chosen.product is None:
        counted = float(stems) if patch_has_stems(patch) and patch["growth_form"] != "herbaceous" else math.nan
        return Amounts(likely, low, high, stems=counted)
    dose, share = chosen.verdict.dose, chosen.limited.share
    treated: float = math.nan
    cuts: float = math.nan
    if math.isnan(dose.spray_l_per_stem):
        spray_l = likely / 10_000 * dose.spray_l_per_ha * share
    else:
        treated = math.floor(stems * share * (1 + AREA_TOLERANCE) + 1e-9)
        cuts = treated * dose.cuts_per_stem if treatment.method == "stem_injection" else math.nan
        spray_l = treated * dose.spray_l_per_stem
    product_l = spray_l * (treatment.concentration or 0.0)
    flow = _find_flow(treatment.flow_l_per_s, treatment.equipment, operations)
    seconds = math.nan
    if flow is not None and treatment.method not in STEM_METHODS:
        seconds = float(find_spray_seconds(likely * share, dose.spray_l_per_ha, flow)) if likely > 0 else likely * 0.0
    return Amounts(
        likely,
        low,
        high,
        spray_l=spray_l,
        product_l=product_l,
        ae_kg=product_l * chosen.product.strength_kg_per_l,
        ae_kg_per_ha=dose.ae_kg_per_ha * share,
        spray_s=seconds,
        stems=float(treated),
        cuts=float(cuts),
        spray_l_per_ha=dose.spray_l_per_ha,
        dye_l=spray_l * (treatment.dye or 0.0),
        adjuvant_l=spray_l * (treatment.adjuvant or 0.0),
        stems_left=0.0 if math.isnan(treated) else float(stems - treated),
    )


def patch_has_stems(patch: Mapping[str, Any]) -> bool:
    """Tell whether stems of a patch are mapped."""
    return not (math.isnan(patch["stem_count"]) and math.isnan(patch["stems_per_ha"]))


def _find_flow(own: float | None, equipment: str | None, operations: Operations | None) -> float | None:
    if own is not None or operations is None:
        return own
    return next((item.flow_l_per_s for item in operations.equipment if item.id == equipment), None)
