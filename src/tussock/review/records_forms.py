"""In: proposal.csv and record.csv of a plan folder. Out: findings where they say otherwise than plan.gpkg."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tussock.base import columns as c
from tussock.review import readers
from tussock.review.columns import read_si
from tussock.review.evidence import Evidence
from tussock.review.rows import MOST_ROWS, Row, info, show_number, violation

if TYPE_CHECKING:
    import pandas as pd

FORMS_CHECK: Final = "forms"
_FILES: Final = {"proposal.csv": c.PROPOSAL, "record.csv": c.RECORD}
#: Numbers of a CSV file hold 12 digits; a sum of many parts is compared a little wider.
_TOLERANCE: Final = 1e-9
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


def _list_uses(evidence: Evidence) -> Iterator[tuple[int, Any, float, float]]:
    """Yield place of the unit, product (None: without herbicide), its dose [kg ae/ha] and its volume [L]."""
    units = evidence.units
    doses, volumes = units["ae_kg_per_ha"].tolist(), units["product_l"].tolist()
    planned = (units["status"] == "planned").to_numpy() & (evidence.unit_treatment >= 0)
    for place in np.flatnonzero(planned).tolist():
        parts = evidence.components(evidence.treatments[int(evidence.unit_treatment[place])])
        if not parts:
            yield place, None, math.nan, math.nan
        dose, volume = float(doses[place]), float(volumes[place])
        for product, share in parts:
            first, whole = parts[0]
            if product is not None and first is not None:
                part = share / whole
                yield place, product, dose * part * product.strength_kg_per_l / first.strength_kg_per_l, volume * part


def _check_record(evidence: Evidence, table: pd.DataFrame) -> list[Row]:
    units = evidence.units.to_dict("records")
    expected: dict[tuple[str, ...], dict[str, Any]] = {}
    for place, product, dose, volume in _list_uses(evidence):
        unit = units[place]
        expected[str(unit["unit_id"]), "" if product is None else product.id] = {
            "method": unit["method"],
            "registration": "" if product is None else product.registration,
            "active": "" if product is None else product.active,
            "planned_area_m2": unit["area_m2"],
            "planned_product_l": volume,
            "planned_rate_ae_kg_per_ha": dose,
            "planned_from": unit["season_from"],
            "planned_to": unit["season_to"],
        }
    names = [_unguard(text) for text in table["unit_id"]]
    rows = _compare("record.csv", table, list(zip(names, map(_unguard, table["product_id"]), strict=True)), expected)
    for name in _FILLED:
        values = table[name]
        filled = values.notna() & (values != "")
        rows += [
            violation(f"record.csv, {table['unit_id'].iloc[k]}, {name}", str(values.iloc[k]), "blank before the work")
            for k in np.flatnonzero(np.asarray(filled))
        ]
    return rows


def _check_proposal(evidence: Evidence, table: pd.DataFrame) -> list[Row]:
    units = evidence.units
    species = dict(zip(evidence.patches["patch_id"], evidence.patches["species"], strict=True))
    groups: dict[tuple[str, ...], list[tuple[int, Any, float, float]]] = {}
    for use in _list_uses(evidence):
        if use[1] is not None:
            unit = units.iloc[use[0]]
            group = (str(species.get(unit["patch_id"], "")), str(unit["treatment_id"]), use[1].id)
            groups.setdefault(group, []).append(use)
    expected: dict[tuple[str, ...], dict[str, Any]] = {}
    for key, uses in groups.items():
        own, product = units.iloc[[use[0] for use in uses]], uses[0][1]
        known = [use[2] for use in uses if not math.isnan(use[2])]
        volume = math.fsum(use[3] for use in uses)
        expected[key] = {
            "method": own["method"].iloc[0],
            "registration": product.registration,
            "active": product.active,
            "restricted_use": "yes" if product.restricted_use else "no",
            "rate_ae_kg_per_ha": max(known, default=math.nan),
            "unit_count": float(len(own)),
            "area_m2": math.fsum(own["area_m2"]),
            "product_l": volume,
            "ae_kg": volume * product.strength_kg_per_l,
            "date_from": own["season_from"].min(),
            "date_to": own["season_to"].max(),
        }
    columns = (table[name] for name in ("species", "treatment_id", "product_id"))
    keys = list(zip(*(map(_unguard, column) for column in columns), strict=True))
    return _compare("proposal.csv", table, keys, expected)


def _unguard(text: str) -> str:
    """Return a text without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    return text[1:] if text.startswith("'") else text


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
