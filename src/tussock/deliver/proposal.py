"""In: a plan. Out: proposal.csv: what is proposed, one row for each target, treatment and product in its tank."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.base import columns as c
from tussock.base.stages import PlanTables
from tussock.deliver.records import Used, describe_product, list_used, write_csv

if TYPE_CHECKING:
    import pandas as pd

PROPOSAL_FILE: Final = "proposal.csv"


def make_proposal(plan: PlanTables) -> pd.DataFrame:
    """Return what is proposed under the names and units of the contract: see `base.columns.PROPOSAL`.

    Ways without herbicide are no part of it. Amounts are likely values; a sum with an unknown part is blank.
    """
    import pandas as pd

    patches = plan.patches.drop(columns="geometry").set_index("patch_id")
    groups: dict[tuple[str, ...], list[Used]] = {}
    for used in [item for item in list_used(plan) if item.product is not None and item.treatment is not None]:
        patch: Any = patches.loc[used.unit["patch_id"]]
        species, form = (
            str(patch[name]) if isinstance(patch[name], str) else "" for name in ("species", "growth_form")
        )
        key = (species, form, str(used.unit["treatment_id"]), used.product.id if used.product else "")
        groups.setdefault(key, []).append(used)
    rows = [_describe_line(plan, number, key, items) for number, (key, items) in enumerate(sorted(groups.items()), 1)]
    frame = pd.DataFrame(rows, columns=[column.si_name for column in c.PROPOSAL])
    for column in c.PROPOSAL:
        if column.kind != "text":
            frame[column.si_name] = frame[column.si_name].astype("Int64" if column.kind == "count" else float)
    return c.present(frame, c.PROPOSAL, plan.site.options.units)


def _describe_line(plan: PlanTables, number: int, key: tuple[str, ...], items: list[Used]) -> dict[str, Any]:
    system = plan.site.options.units
    first = items[0]
    units = [item.unit for item in items]
    force = plan.relations["unit_setbacks"]
    setbacks = set(force.loc[force["unit_id"].isin([unit["unit_id"] for unit in units]), "setback_id"])

    def add(stem: str, quantity: c.Quantity) -> float:
        return math.fsum(_blank(unit[f"{stem}_{quantity.suffix(system)}"]) for unit in units) * quantity.size(system)

    water = [_blank(unit[f"nearest_water_{c.LENGTH.suffix(system)}"]) for unit in units]
    near = [distance for distance in water if not math.isnan(distance)]
    rates = [_blank(unit[f"spray_{c.RATE.suffix(system)}"]) for unit in units]
    return {
        "line": number,
        "species": key[0],
        "growth_form": key[1],
        "growth_stage": "",
        "purpose": "",
        **describe_product(first.product),
        "treatment_id": key[2],
        "method": first.unit["method"],
        "equipment": (first.treatment.equipment or "") if first.treatment else "",
        "carrier": first.unit["carrier"],
        "concentration_pct": first.share * 100,
        "spray_l_per_ha": _find_most(rates) * c.RATE.size(system),
        "rate_ae_kg_per_ha": _find_most([item.dose_kg_per_ha for item in items]),
        "unit_count": len(items),
        "area_m2": add("area", c.AREA),
        "infested_m2": add("infested", c.AREA),
        "product_l": math.fsum(item.product_l for item in items),
        "ae_kg": math.fsum(item.ae_kg for item in items),
        "applications": 1,
        "date_from": min(str(unit["season_from"]) for unit in units),
        "date_to": max(str(unit["season_to"]) for unit in units),
        "nearest_water_m": min(near) * c.LENGTH.size(system) if near else float("nan"),
        "setbacks": ";".join(sorted(setbacks)),
        "patches": ";".join(dict.fromkeys(str(unit["patch_id"]) for unit in units)),
        "applicator": "",
        "licence": "",
    }


def _blank(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _find_most(values: list[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return max(known) if known else float("nan")


def write_proposal(plan: PlanTables, path: Path) -> None:
    """Write ``proposal.csv``, as the budgets are written."""
    write_csv(make_proposal(plan), path)
