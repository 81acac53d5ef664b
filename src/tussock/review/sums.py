"""In: units, patches, products and the season of a delivered plan. Out: findings where they do not add up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import AREA, LIQUID, MASS, Quantity
from tussock.review.columns import find_places, read_number
from tussock.review.doses import find_partners_l
from tussock.review.efforts import find_efforts, find_prices
from tussock.review.evidence import Evidence
from tussock.review.ground import find_difference
from tussock.review.rows import Row, info, pick_rows, show_number, violation

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

_TOLERANCE: Final = 1e-8
#: Items of the season, the unit column that each adds up, and how it is shown.
_ITEMS: Final[dict[str, tuple[str, Quantity | None]]] = {
    "infested area with a treatment": ("infested_m2", AREA),
    "spray volume": ("spray_l", LIQUID),
    "product": ("product_l", LIQUID),
    "acid equivalent": ("ae_kg", MASS),
    "crew time": ("crew_h", None),
    "cost": ("cost", None),
    "labour": ("labour_cost", None),
    "product cost": ("product_cost", None),
    "equipment": ("equipment_cost", None),
    "supplies": ("supply_cost", None),
}


def check_sums(evidence: Evidence) -> list[Row]:
    """Check that season and products are the sums of their units, and patches of theirs."""
    rows = [*_check_patches(evidence), *_check_products(evidence), *_check_season(evidence)]
    return [
        *rows,
        info("plan.gpkg", f"{len(evidence.units)} units, {len(evidence.patches)} patches, products and season"),
    ]


def _add(values: FloatArray, place: NDArray[np.intp], count: int) -> FloatArray:
    """Add up by place; nan where every value is blank, 0 where there is none."""
    known = ~np.isnan(values)
    total = np.bincount(place[known], values[known], minlength=count)
    some = np.bincount(place, minlength=count)
    filled = np.bincount(place[known], minlength=count)
    return np.where((some > 0) & (filled == 0), np.nan, total)


def _check_patches(evidence: Evidence) -> list[Row]:
    units, patches, place = evidence.units, evidence.patches, evidence.unit_patch
    planned = (units["status"] == "planned").to_numpy() & (place >= 0)
    count = len(patches)
    ids = patches["patch_id"].to_numpy()
    rows: list[Row] = []
    totals = {
        name: _add(_count_tanks(evidence, name)[planned], place[planned], count)
        for name in ("spray_l", "product_l", "ae_kg", "crew_h", "cost")
    }
    totals["unit_count"] = np.bincount(place[place >= 0], minlength=count).astype(np.float64)
    for name, expected in (totals | _find_ranges(evidence, planned)).items():
        rows += _compare("patch", ids, name, patches[name].to_numpy(), expected)
    for name in ("crew{}_h", "cost{}"):
        low, likely, high = (patches[name.format(end)].to_numpy() for end in ("_low", "", "_high"))
        rows += pick_rows(
            (low > likely * (1 + _TOLERANCE)) | (high < likely * (1 - _TOLERANCE)),
            lambda k, name=name, low=low, likely=likely, high=high: violation(  # type: ignore[misc]
                f"patch {ids[k]}, {name.format('')}",
                f"{low[k]:.6g}, {likely[k]:.6g}, {high[k]:.6g}",
                "low, likely, high",
            ),
        )
    return rows


def _count_tanks(evidence: Evidence, name: str) -> FloatArray:
    """Return a column of the units; product and acid equivalent with those of the partners in the tank."""
    values: FloatArray = evidence.units[name].to_numpy(dtype=np.float64)
    partner = {"product_l": "partner_l", "ae_kg": "partner_ae_kg"}.get(name)
    return values if partner is None else values + evidence.units[partner].to_numpy(dtype=np.float64)


def _find_ranges(evidence: Evidence, planned: NDArray[np.bool_]) -> dict[str, FloatArray]:
    """Return the sums of each patch at the ends of its cover: ground methods move with it, stem methods do not."""
    units, place = evidence.units, evidence.unit_patch
    likely = units["infested_m2"].to_numpy()
    by_ground = np.isnan(units["stems"].to_numpy()) & (likely > 0)
    ranges = {}
    for end in ("low", "high"):
        edge = units[f"infested_{end}_m2"].to_numpy()
        moves = by_ground & np.isfinite(edge)
        ratio = np.where(moves, edge / np.where(likely > 0, likely, 1.0), 1.0)
        for stem, unit in (("spray", "l"), ("product", "l"), ("ae", "kg")):
            moved = _count_tanks(evidence, f"{stem}_{unit}") * ratio
            ranges[f"{stem}_{end}_{unit}"] = _add(moved[planned], place[planned], len(evidence.patches))
    return ranges


def _compare(kind: str, ids: NDArray[Any], name: str, found: FloatArray, expected: FloatArray) -> list[Row]:
    off = find_difference(found, expected)
    return pick_rows(
        off > _TOLERANCE,
        lambda k: violation(
            f"{kind} {ids[k]}, {name}", show_number(found[k]), show_number(expected[k]), "the sum of its units"
        ),
        off,
    )


def _check_products(evidence: Evidence) -> list[Row]:
    frame = evidence.delivered.csv.get("product_budget.csv")
    if frame is None:
        return []
    table = evidence.table_of(frame, "product_budget")
    uses = list_uses(evidence)
    place = find_places(table["product_id"], uses["product_id"])
    ids = evidence.units["unit_id"].to_numpy()[uses["unit"].to_numpy()]
    rows = pick_rows(
        place < 0,
        lambda k: violation(
            f"unit {ids[k]}", f"{uses['product_id'].iloc[k]} not in product_budget.csv", "a row for each product"
        ),
    )
    used, place = uses[place >= 0], place[place >= 0]
    names = table["product_id"].to_numpy()
    count = len(table)
    totals = {
        name: _add(used[name].to_numpy(), place, count)
        for name in ("area_m2", "infested_m2", "spray_l", "product_l", "ae_kg")
    }
    totals["unit_count"] = np.bincount(place, minlength=count).astype(np.float64)
    prices = find_prices(evidence.catalog.operations)
    paid = np.array([prices.get(name, np.nan) for name in names.tolist()], dtype=np.float64)
    totals["product_cost"] = totals["product_l"] * paid
    for name, expected in totals.items():
        rows += _compare("product", names, name, table[name].to_numpy(), expected)
    for column in ("active", "form"):
        wanted = [str(getattr(evidence.catalog.products.get(name), column, "")) for name in names.tolist()]
        found_texts = table[column].tolist()
        rows += [
            violation(f"product {name}, {column}", one, other)
            for name, one, other in zip(names.tolist(), found_texts, wanted, strict=True)
            if one != other
        ]
    return rows


def list_uses(evidence: Evidence) -> pd.DataFrame:
    """Return a row for each unit and product in its tank.

    Columns ``unit`` (place), ``product_id, area_m2, infested_m2, spray_l, product_l, ae_kg``.
    """
    import pandas as pd

    units = evidence.units
    ground = ["area_m2", "infested_m2", "spray_l"]
    first = np.flatnonzero((units["product_id"] != "").to_numpy())
    parts = [
        units.iloc[first][["product_id", *ground, "product_l", "ae_kg"]].assign(unit=first),
    ]
    for place in range(len(evidence.treatments)):
        unit = np.flatnonzero(evidence.unit_treatment == place)
        partners = find_partners_l(evidence, place) if len(unit) else {}
        for name, size in partners.items():
            ae = size * evidence.catalog.products[name].strength_kg_per_l
            row: dict[str, Any] = {"product_id": name, "product_l": size, "ae_kg": ae, "unit": unit}
            parts.append(units.iloc[unit][ground].assign(**row))
    return pd.concat(parts, ignore_index=True)


def _check_season(evidence: Evidence) -> list[Row]:
    frame = evidence.delivered.tables.get("season")
    if frame is None:
        return []
    if not {"item", "low", "likely", "high", "unit"} <= set(frame.columns):
        return [
            violation(
                "plan.gpkg, season", f"columns {', '.join(map(str, frame.columns))}", "item, low, likely, high, unit"
            )
        ]
    items = {str(item): place for place, item in enumerate(frame["item"].astype(str))}
    low, likely, high = (read_number(frame, name) for name in ("low", "likely", "high"))
    rows = pick_rows(
        (low > likely * (1 + _TOLERANCE)) | (high < likely * (1 - _TOLERANCE)),
        lambda k: violation(
            f"season, {frame['item'].iloc[k]}", f"{low[k]:.6g}, {likely[k]:.6g}, {high[k]:.6g}", "low, likely, high"
        ),
    )
    for item, (expected, unit) in find_season(evidence).items():
        place = items.get(item)
        if place is None:
            rows.append(violation("season", f"no row {item!r}", show_number(expected)))
            continue
        if find_difference(likely[place : place + 1], np.array([expected]))[0] > _TOLERANCE:
            note = "the sum of the units"
            rows.append(violation(f"season, {item}", show_number(likely[place]), show_number(expected), note))
        if unit and str(frame["unit"].iloc[place]) != unit:
            rows.append(violation(f"season, {item}, unit", str(frame["unit"].iloc[place]), unit))
    return rows


def find_season(evidence: Evidence) -> dict[str, tuple[float, str]]:
    """Return what each item of the season should be, and its unit (blank where it is money)."""
    units, patches = evidence.units, evidence.patches
    own = (units["area_counted_with"] == "").to_numpy()
    planned = own & (units["status"] == "planned").to_numpy()
    area = AREA.size(evidence.system)
    shown = AREA.suffix(evidence.system)
    unit_area = units["area_m2"].to_numpy()
    season: dict[str, tuple[float, str]] = {
        "patches": (float(len(patches)), "count"),
        "treatment units": (float(len(units)), "count"),
        "units without an option": (float((own & ~planned).sum()), "count"),
        "patches whose cover is not known": (float(patches["cover_pct"].isna().sum()), "count"),
        "gross area of all patches": (float(patches["area_m2"].sum()) / area, shown),
        "net area (shared ground of one species once)": (float(unit_area[own].sum()) / area, shown),
        "net area with a treatment": (float(unit_area[planned & ~evidence.looked].sum()) / area, shown),
    }
    if (planned & evidence.looked).any():
        looked = float(unit_area[planned & evidence.looked].sum()) / area
        season["net area that is looked at (found empty)"] = (looked, shown)
    values = {name: _count_tanks(evidence, name) for name, _ in _ITEMS.values() if name in units.columns}
    values |= {name: size for name, size in find_efforts(evidence).items() if name.endswith("_cost")}
    for item, (name, quantity) in _ITEMS.items():
        some = values[name][planned]
        if item == "supplies" and not np.nan_to_num(some).any():
            continue  # the season has a row for them only where one has a price
        total = float(np.nansum(some)) if np.isfinite(some).any() else float("nan")
        unit = "h" if name == "crew_h" else ""
        if quantity is not None:
            total, unit = total / quantity.size(evidence.system), quantity.suffix(evidence.system)
        season[item] = (total, unit)
    return season
