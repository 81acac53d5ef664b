"""In: a plan. Out: record.csv: the as-applied record, prefilled with what is planned, blank where the crew fills in."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tussock.base import columns as c
from tussock.base.geodesy import move_geometry
from tussock.base.records import LOOK, STEM_METHODS, Product, Treatment
from tussock.base.stages import PlanTables
from tussock.deliver.tables import csv_text, list_cells

if TYPE_CHECKING:
    import pandas as pd

RECORD_FILE: Final = "record.csv"
#: Columns that are filled in after the work.
FILLED_IN: Final = tuple(column.stem for column in c.RECORD[[item.stem for item in c.RECORD].index("applied") :])
_PLACES: Final = 6


@dataclass(frozen=True)
class Used:
    """One product in the tank of a planned unit, with its amount.

    The product is None for a way without herbicide, the treatment too for a look at ground that was found empty.
    """

    unit: dict[str, Any]
    treatment: Treatment | None
    product: Product | None
    share: float
    product_l: float
    ae_kg: float
    dose_kg_per_ha: float


def list_used(plan: PlanTables) -> Iterator[Used]:
    """Yield what is planned on each unit, the treatment's own product first, then its partners in the tank."""
    system = plan.site.options.units
    treatments = {item.id: item for item in plan.site.treatments or ()}
    names = {
        stem: (f"{stem}_{quantity.suffix(system)}", quantity.size(system))
        for stem, quantity in (("product", c.SMALL_LIQUID), ("ae", c.MASS))
    }
    dose_name, dose_size = f"ae_{c.DOSE.suffix(system)}", c.DOSE.size(system)
    for unit in plan.units.drop(columns="geometry").to_dict("records"):
        treatment = treatments.get(str(unit["treatment_id"]))
        row = {str(name): value for name, value in unit.items()}
        if unit["status"] == "planned" and unit["method"] == LOOK:
            yield Used(row, None, None, *[float("nan")] * 4)
        if unit["status"] != "planned" or treatment is None:
            continue
        product_l, ae_kg = (_number(unit[name]) * size for name, size in names.values())
        dose = _number(unit[dose_name]) * dose_size
        first = plan.site.products.get(str(treatment.product))
        if first is None:
            yield Used(row, treatment, None, float("nan"), float("nan"), float("nan"), float("nan"))
            continue
        share = treatment.concentration or 0.0
        yield Used(row, treatment, first, share, product_l, ae_kg, dose)
        for partner in treatment.tank_mix:
            other = plan.site.products[partner.product]
            part = partner.concentration / share
            ratio = part * other.strength_kg_per_l / first.strength_kg_per_l
            yield Used(row, treatment, other, partner.concentration, product_l * part, ae_kg * ratio, dose * ratio)


def _number(value: Any) -> float:
    return float("nan") if value is None or value is getattr(value, "NA", None) else float(value)


def make_record(plan: PlanTables) -> pd.DataFrame:
    """Return the as-applied record under the names and units of the contract: see `base.columns.RECORD`."""
    import pandas as pd

    system = plan.site.options.units
    suffix, size = c.AREA.suffix(system), c.AREA.size(system)
    places = _list_places(plan)
    species = dict(zip(plan.patches["patch_id"].astype(str), plan.patches["species"], strict=True))
    rows = []
    for used in list_used(plan):
        unit, product = used.unit, used.product
        row: dict[str, Any] = {column.si_name: None if column.kind == "number" else "" for column in c.RECORD}
        row |= {
            "unit_id": unit["unit_id"],
            "patch_id": unit["patch_id"],
            "location": places[str(unit["unit_id"])],
            "species": species.get(str(unit["patch_id"])) or "",
            **describe_product(product),
            "method": unit["method"],
            "planned_area_m2": _number(unit[f"area_{suffix}"]) * size,
            "planned_treated_m2": _number(unit[f"{_find_ground(used)}_{suffix}"]) * size,
            "planned_product_l": used.product_l,
            "planned_rate_ae_kg_per_ha": used.dose_kg_per_ha,
            "planned_from": unit["season_from"],
            "planned_to": unit["season_to"],
            "reentry": product.reentry if product else "",
        }
        rows.append(row)
    frame = pd.DataFrame(rows, columns=[column.si_name for column in c.RECORD])
    for column in c.RECORD:
        if column.kind == "number":
            frame[column.si_name] = frame[column.si_name].astype(float)
    return c.present(frame, c.RECORD, system)


def _find_ground(used: Used) -> str:
    """Return the column of the ground that the rate of a unit is for: what is wetted, or where the stems stand."""
    treatment = used.treatment
    by_stem = treatment is not None and treatment.method in STEM_METHODS and treatment.spray_volume_l_per_ha is None
    return "area" if by_stem else "infested"


def describe_product(product: Product | None) -> dict[str, str]:
    """Return what a form asks about a product; blank for a way without herbicide."""
    if product is None:
        return dict.fromkeys(("product_id", "registration", "active", "form", "restricted_use"), "")
    return {
        "product_id": product.id,
        "registration": product.registration,
        "active": product.active,
        "form": product.form,
        "restricted_use": "yes" if product.restricted_use else "no",
    }


def _list_places(plan: PlanTables) -> dict[str, str]:
    """Return latitude and longitude of a point in each unit, as text."""
    import shapely

    shapes = np.asarray(plan.units.geometry.array, dtype=object)
    points = move_geometry(shapely.point_on_surface(shapes), plan.units.crs, "EPSG:4326")
    lon = (shapely.get_x(points) + 180.0) % 360.0 - 180.0
    xy = np.column_stack([lon, shapely.get_y(points)])
    texts = [
        f"{abs(lat):.{_PLACES}f} {'S' if lat < 0 else 'N'} {abs(lon):.{_PLACES}f} {'W' if lon < 0 else 'E'}"
        for lon, lat in xy.tolist()
    ]
    return dict(zip(plan.units["unit_id"].astype(str), texts, strict=True))


def write_record(plan: PlanTables, path: Path) -> None:
    """Write ``record.csv``: a row for each planned unit and product in its tank, to be filled in as a copy.

    UTF-8, lines end with LF, numbers with 12 significant digits, missing values blank; a text that a spreadsheet would
    take for a formula gets an apostrophe.
    """
    write_csv(make_record(plan), path)


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV, as the budgets are written."""
    cells = list_cells(frame)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([csv_text(name) for name in cells])
        writer.writerows([csv_text(cell) for cell in row] for row in zip(*cells.values(), strict=True))
