"""In: proposal.csv and record.csv of a plan folder. Out: findings where they say otherwise than plan.gpkg."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from tussock.base import columns as c
from tussock.base.records import Product
from tussock.review import readers
from tussock.review.columns import read_si
from tussock.review.evidence import Evidence
from tussock.review.records_amounts import find_to_treat_m2
from tussock.review.rows import MOST_ROWS, Row, info, show_number, violation

if TYPE_CHECKING:
    import pandas as pd

FORMS_CHECK: Final = "forms"
_FILES: Final = {"proposal.csv": c.PROPOSAL, "record.csv": c.RECORD}
#: Numbers of a CSV file hold 12 digits; a sum of many parts is compared a little wider.
_TOLERANCE: Final = 1e-9
#: Columns of the proposal that its authors fill in.
_LEFT_BLANK: Final = ("growth_stage", "purpose", "applicator", "licence")
#: Place of a row of the record, six decimals of a degree: a rounded point may stand off its unit by half of the last.
_LOCATION: Final = re.compile(r"(?P<lat>[0-9.]+) (?P<south>[NS]) (?P<lon>[0-9.]+) (?P<west>[EW])")
_PLACE_DEG: Final = 1e-6
_FILLED: Final = tuple(column.si_name for column in c.RECORD[[item.stem for item in c.RECORD].index("applied") :])


def check_forms(evidence: Evidence) -> list[Row]:
    """Check that the forms repeat what plan.gpkg plans, and that what the crew fills in is blank."""
    rows: list[Row] = []
    read = 0
    for name, schema in _FILES.items():
        delivered = evidence.delivered
        if name not in delivered.hashes or name in delivered.unread:
            continue
        try:
            table = readers.read_csv(delivered.folder / name)
        except (OSError, ValueError, UnicodeDecodeError) as error:
            rows.append(violation(name, f"cannot be read ({error})", "the file as the plan wrote it"))
            continue
        missing = [n for n in c.shown_names(schema, evidence.system) if n not in table.columns]
        if missing:
            rows.append(violation(name, f"no {', '.join(missing)}", "the columns of the contract"))
            continue
        found = read_si(table, schema, evidence.system)
        rows += _check_record(evidence, found) if name == "record.csv" else _check_proposal(evidence, found)
        read += 1
    return [*rows[:MOST_ROWS], info("folder", f"{read} forms against plan.gpkg")]


@dataclass(frozen=True)
class _Use:
    """A product in the tank of a planned unit: place of the unit, share of the mix, dose and volume; None: without."""

    place: int
    product: Product | None
    share: float = math.nan
    dose_kg_per_ha: float = math.nan
    volume_l: float = math.nan


def _list_uses(evidence: Evidence) -> Iterator[_Use]:
    """Yield what is planned on each unit, the treatment's own product first."""
    units = evidence.units
    doses, volumes = units["ae_kg_per_ha"].tolist(), units["product_l"].tolist()
    planned = (units["status"] == "planned").to_numpy() & ((evidence.unit_treatment >= 0) | evidence.looked)
    for place in np.flatnonzero(planned).tolist():
        if evidence.looked[place]:
            yield _Use(place, None)
            continue
        parts = evidence.components(evidence.treatments[int(evidence.unit_treatment[place])])
        if not parts:
            yield _Use(place, None)
            continue
        dose, volume = float(doses[place]), float(volumes[place])
        for product, share in parts:
            first, whole = parts[0]
            if product is not None and first is not None:
                part = share / whole
                ratio = part * product.strength_kg_per_l / first.strength_kg_per_l
                yield _Use(place, product, share, dose * ratio, volume * part)


def _describe_product(product: Product | None) -> dict[str, str]:
    if product is None:
        return dict.fromkeys(("registration", "active", "form", "restricted_use"), "")
    restricted = "yes" if product.restricted_use else "no"
    return {
        "registration": product.registration,
        "active": product.active,
        "form": product.form,
        "restricted_use": restricted,
    }


def _check_locations(evidence: Evidence, texts: list[str], places: list[int]) -> list[Row]:
    """Check that the place of each row lies on its unit."""
    rows = []
    for text, place in zip(texts, places, strict=True):
        if place < 0:
            continue
        match = _LOCATION.fullmatch(str(text))
        where = f"record.csv, {evidence.units['unit_id'].iloc[place]}, location"
        if match is None:
            rows.append(violation(where, str(text) or "blank", "latitude and longitude of a point in the unit"))
            continue
        lat = float(match["lat"]) * (-1 if match["south"] == "S" else 1)
        lon = float(match["lon"]) * (-1 if match["west"] == "W" else 1)
        shape = evidence.unit_degrees[place]
        turns = (lon, lon + 360.0, lon - 360.0)
        if min(shapely.distance(shape, shapely.Point(turn, lat)) for turn in turns) > _PLACE_DEG:
            rows.append(violation(where, str(text), "a point in the unit"))
    return rows


def _check_record(evidence: Evidence, table: pd.DataFrame) -> list[Row]:
    units = evidence.units.to_dict("records")
    patches = evidence.patches
    species = dict(zip(patches["patch_id"], patches["species"], strict=True))
    expected: dict[tuple[str, ...], dict[str, Any]] = {}
    places: dict[tuple[str, ...], int] = {}
    for use in _list_uses(evidence):
        place, product, dose, volume = use.place, use.product, use.dose_kg_per_ha, use.volume_l
        unit = units[place]
        key = str(unit["unit_id"]), "" if product is None else product.id
        places[key] = place
        expected[key] = {
            "patch_id": unit["patch_id"],
            "species": str(species.get(unit["patch_id"], "")),
            "method": unit["method"],
            **_describe_product(product),
            "reentry": "" if product is None else product.reentry,
            "planned_area_m2": unit["area_m2"],
            "planned_treated_m2": find_to_treat_m2(evidence, place),
            "planned_product_l": volume,
            "planned_rate_ae_kg_per_ha": dose,
            "planned_from": unit["season_from"],
            "planned_to": unit["season_to"],
        }
    names = [_unguard(text) for text in table["unit_id"]]
    keys: list[tuple[str, ...]] = list(zip(names, map(_unguard, table["product_id"]), strict=True))
    rows = _compare("record.csv", table, keys, expected)
    rows += _check_locations(evidence, table["location"].tolist(), [places.get(key, -1) for key in keys])
    for name in _FILLED:
        values = table[name]
        filled = values.notna() & (values != "")
        rows += [
            violation(f"record.csv, {table['unit_id'].iloc[k]}, {name}", str(values.iloc[k]), "blank before the work")
            for k in np.flatnonzero(np.asarray(filled))
        ]
    return rows


def _check_proposal(evidence: Evidence, table: pd.DataFrame) -> list[Row]:
    units, patches = evidence.units, evidence.patches
    plants = dict(zip(patches["patch_id"], zip(patches["species"], patches["growth_form"], strict=True), strict=True))
    groups: dict[tuple[str, ...], list[_Use]] = {}
    for use in _list_uses(evidence):
        if use.product is not None:
            unit = units.iloc[use.place]
            species, form = plants.get(unit["patch_id"], ("", ""))
            key = (str(species), str(form), str(unit["treatment_id"]), use.product.id)
            groups.setdefault(key, []).append(use)
    expected = {key: _describe_line(evidence, uses) for key, uses in groups.items()}
    columns = (table[name] for name in ("species", "growth_form", "treatment_id", "product_id"))
    keys = list(zip(*(map(_unguard, column) for column in columns), strict=True))
    rows = _compare("proposal.csv", table, keys, expected)
    for name in _LEFT_BLANK:
        filled = table[name].notna() & (table[name] != "")
        rows += [
            violation(f"proposal.csv, {', '.join(keys[k])}, {name}", str(table[name].iloc[k]), "blank as delivered")
            for k in np.flatnonzero(np.asarray(filled))
        ]
    return rows


def _describe_line(evidence: Evidence, uses: list[_Use]) -> dict[str, Any]:
    """Return what a row of the proposal says of the uses that it sums up."""
    own, product = evidence.units.iloc[[use.place for use in uses]], uses[0].product
    treatment = evidence.treatments[int(evidence.unit_treatment[uses[0].place])]
    volume = math.fsum(use.volume_l for use in uses)
    force = evidence.table("unit_setbacks")
    setbacks = set(force.loc[force["unit_id"].isin(own["unit_id"]), "setback_id"])
    return {
        **_describe_product(product),
        "method": own["method"].iloc[0],
        "equipment": treatment.equipment or "",
        "carrier": own["carrier"].iloc[0],
        "concentration_pct": uses[0].share * 100,
        "spray_l_per_ha": _find_known(own["spray_l_per_ha"], max),
        "rate_ae_kg_per_ha": _find_known([use.dose_kg_per_ha for use in uses], max),
        "unit_count": float(len(own)),
        "area_m2": math.fsum(own["area_m2"]),
        "infested_m2": math.fsum(own["infested_m2"]),
        "product_l": volume,
        "ae_kg": volume * (math.nan if product is None else product.strength_kg_per_l),
        "applications": 1.0,
        "date_from": own["season_from"].min(),
        "date_to": own["season_to"].max(),
        "nearest_water_m": _find_known(own["nearest_water_m"], min),
        "setbacks": ";".join(sorted(setbacks)),
        "patches": ";".join(dict.fromkeys(own["patch_id"].astype(str))),
    }


def _find_known(values: Iterable[float], choose: Callable[..., float]) -> float:
    """Return the largest or least of the numbers that are known; nan where none is."""
    return float(choose([value for value in values if not math.isnan(value)], default=math.nan))


def _unguard(text: str) -> str:
    """Return a text without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    guarded = text.startswith("'") and text[1:].lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    return text[1:] if guarded else text


def _alike(found: float, wanted: float) -> bool:
    if math.isnan(found) or math.isnan(wanted):
        return math.isnan(found) and math.isnan(wanted)
    return abs(found - wanted) <= _TOLERANCE * abs(wanted)


def _compare(
    file: str, table: pd.DataFrame, keys: list[tuple[str, ...]], expected: dict[tuple[str, ...], dict[str, Any]]
) -> list[Row]:
    """Compare the rows of a form, known by their keys, with those that follow from the plan."""
    count = Counter(keys)
    rows = [violation(f"{file}, {', '.join(key)}", f"{count[key]} rows", "1") for key in expected if count[key] != 1]
    columns = {str(name): table[name].tolist() for name in table.columns}
    for place, key in enumerate(keys):
        if key not in expected:
            rows.append(violation(f"{file}, {', '.join(key)}", "a row for nothing that is planned", "what is planned"))
            continue
        for name, wanted in expected[key].items():
            found = columns[name][place]
            where = f"{file}, {', '.join(key)}, {name}"
            if isinstance(wanted, str):
                if _unguard(str(found)) != wanted:
                    rows.append(violation(where, str(found), wanted))
            elif not _alike(float(found), float(wanted)):
                rows.append(violation(where, show_number(found), f"{show_number(wanted)} (SI), as in plan.gpkg"))
    return rows
