"""In: a plan. Out: its tables as they are written: plain cells, what each column means, and the CSV files."""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
import numbers
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from tussock.base import columns as c
from tussock.base.stages import PlanTables
from tussock.base.text import show_season, show_validity
from tussock.deliver.cautions import BLANKS, NOT_READY, list_cautions
from tussock.deliver.escape import escape_cell
from tussock.deliver.sources import list_sources

if TYPE_CHECKING:
    import pandas as pd

Cell: TypeAlias = str | int | float | bool | None

#: Significant digits of a number in the CSV files: a hundredth of a square millimetre in a square kilometre.
DIGITS: Final = 12

#: Unit of a column whose unit stands in the column ``unit`` of the same row.
SEE_UNIT: Final = "see unit"

#: Unit and meaning of columns that no schema holds.
_OTHER: Final[Mapping[str, Mapping[str, tuple[str, str]]]] = {
    "compliance": {
        "from_lon": ("degree", "longitude of the nearest point on the unit, WGS 84"),
        "from_lat": ("degree", "latitude of the nearest point on the unit, WGS 84"),
        "to_lon": ("degree", "longitude of the nearest point on the feature, WGS 84"),
        "to_lat": ("degree", "latitude of the nearest point on the feature, WGS 84"),
    },
    "overlaps": {
        "patch_a": ("", "patch that lies on the ground"),
        "patch_b": ("", "other patch on the same ground"),
        "same_species": ("", "true where both are one species: the ground is counted once"),
        "likely_same": ("", "true where it is likely one patch drawn twice"),
        "area_m2": ("m2", "true ground area in common"),
    },
    "findings": {
        "stage": ("", "step of the plan that noticed it"),
        "layer": ("", "layer or file"),
        "row": ("", "row, patch, unit or rule"),
        "what": ("", "what was noticed"),
        "done": ("", "what was done about it"),
        "level": ("", "info or warning"),
        "area_before_m2": ("m2", "area before it"),
        "area_after_m2": ("m2", "area after it"),
    },
    "season": {
        "item": ("", "what is added up over the site"),
        "low": (SEE_UNIT, "lower end of the range that the cover entries leave"),
        "likely": (SEE_UNIT, "likely value"),
        "high": (SEE_UNIT, "upper end of that range"),
        "unit": ("", "unit of low, likely and high"),
    },
    "water": {
        "label": ("", "name of the feature in messages and reasons"),
        "wade": ("", "whether a person walks into it, as mapped; a blank goes by its kind"),
        "width_m": ("m", "width that a line was taken with"),
        "width_assumed": ("", "true where that width is a default: check in the field"),
    },
    "history": {
        "label": ("", "name of the record in reasons"),
        "ae_kg_per_ha": ("kg/ha", "acid equivalent applied to that ground"),
        "stems_per_ha": ("1/ha", "stems treated on that ground"),
    },
    "receptors": {"label": ("", "name of the feature in messages and reasons")},
    "access": {"label": ("", "name of the feature in messages and reasons")},
    "about": {
        "topic": ("", "what the line is about"),
        "item": ("", "which one"),
        "text": ("", "what there is to know"),
    },
}
_RIDING: Final[Mapping[str, str]] = {"patches": "column of the infestation layer's file"}
UNIT_TEXTS: Final = {"l": "L", "ml": "mL", "fl_oz": "fl oz", "l_per_ha": "L/ha"}


@dataclass(frozen=True)
class ColumnNote:
    """What one column of a written table means: name, unit (may be blank) and one line for readers."""

    name: str
    unit: str
    meaning: str


def describe_columns(plan: PlanTables, table: str, frame: pd.DataFrame) -> list[ColumnNote]:
    """Return a note for each column of a table, geometry apart, in the order of the table."""
    known = _list_known(plan, table)
    riding = _RIDING.get(table, "working figure of the plan" if table in c.SCHEMAS else "column of the layer's file")
    return [known.get(name, ColumnNote(name, "", riding)) for name in attribute_names(frame)]


def _list_known(plan: PlanTables, table: str) -> dict[str, ColumnNote]:
    system = plan.site.options.units
    notes = {name: ColumnNote(name, *note) for name, note in _OTHER.get(table, {}).items()}
    for column in c.SCHEMAS.get(table, ()):
        name = column.shown_name(system)
        notes[name] = ColumnNote(name, _unit_of(plan, column), column.meaning)
    return notes


def _unit_of(plan: PlanTables, column: c.Column) -> str:
    if column.quantity is not None:
        suffix = column.quantity.suffix(plan.site.options.units)
        return UNIT_TEXTS.get(suffix, suffix.replace("_per_", "/"))
    if column.stem.endswith("_pct"):
        return "%"
    operations = plan.site.operations
    if column.kind == "number" and operations is not None:  # what is left without a unit of its own is money
        return operations.currency or ""
    return ""


def attribute_names(frame: pd.DataFrame) -> list[str]:
    """Return the columns of a table apart from its geometry."""
    geometry = getattr(frame, "_geometry_column_name", None)
    return [str(name) for name in frame.columns if name != geometry]


def list_cells(frame: pd.DataFrame) -> dict[str, list[Cell]]:
    """Return a table as lists of plain cells by column, geometry apart."""
    return {name: cell_values(frame[name]) for name in attribute_names(frame)}


def cell_values(column: pd.Series[Any]) -> list[Cell]:
    """Return a column as cells that any file can hold.

    Numbers and flags stay what they are, missing values become None, days and times ISO 8601 text, lists and mappings
    JSON text, a second geometry WKT, bytes hexadecimal text. NUL, which ends a text in many programs, is left out.
    """
    return [_plain(value) for value in column.tolist()]


def _plain(value: Any) -> Cell:  # noqa: PLR0911  (one line for each kind of value)
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return value.replace("\x00", "")
    if isinstance(value, numbers.Integral):
        return int(value)
    if isinstance(value, numbers.Real):
        return _plain_float(float(value))
    if isinstance(value, dt.date | dt.time):
        return None if value != value else value.isoformat()  # noqa: PLR0124  (NaT is not itself)
    if isinstance(value, bytes | bytearray):
        return value.hex()
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, list | tuple | dict | set):
        listed = sorted(value, key=str) if isinstance(value, set) else value
        return json.dumps(listed, ensure_ascii=False, sort_keys=True, default=_plain)
    if hasattr(value, "wkt"):
        return str(value.wkt)
    return None if str(value) == "<NA>" else str(value)


def _plain_float(value: float) -> Cell:
    if math.isfinite(value):
        return value + 0.0  # no minus before a zero
    return None if math.isnan(value) else str(value)


def write_tables(plan: PlanTables, folder: Path) -> None:
    """Write ``patch_budget.csv``, ``unit_budget.csv`` and ``product_budget.csv``.

    Columns are those of the plan without geometry. UTF-8, lines end with LF, quoting as RFC 4180 has it, numbers with
    12 significant digits, missing values blank. A text that a spreadsheet would take for a formula gets an apostrophe.

    Parameters
    ----------
    plan
        What to write.
    folder
        Folder that is there.
    """
    for name, frame in (
        ("patch_budget.csv", plan.patches),
        ("unit_budget.csv", plan.units),
        ("product_budget.csv", plan.product_budget),
    ):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(_csv_rows(frame))


def _csv_rows(frame: pd.DataFrame) -> Iterator[list[str]]:
    cells = list_cells(frame)
    yield [csv_text(name) for name in cells]
    for row in zip(*cells.values(), strict=True):
        yield [csv_text(cell) for cell in row]


def csv_text(cell: Cell) -> str:
    """Return a cell as it stands in a CSV file, before quoting.

    Examples
    --------
    >>> csv_text(1 / 3), csv_text(7), csv_text(True), csv_text(None), csv_text("=1+1")
    ('0.333333333333', '7', 'true', '', "'=1+1")
    """
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, int):
        return str(cell)
    if isinstance(cell, float):
        return f"{cell:.{DIGITS}g}"
    # a lone CR would end the row in many readers, and is not quoted where rows end with LF
    return str(escape_cell(cell.replace("\r\n", "\n").replace("\r", "\n")))


def list_assumptions(plan: PlanTables) -> list[tuple[str, str, str]]:
    """Return what the plan rests on: rows of topic, item and text.

    Cautions, rule sets, CRS and its distortion, choices and defaults, layers, and the source of every product, rule,
    treatment and line of the operations file (see `sources.list_sources`).
    """
    sources = [
        (topic, item, f"{figure}; source: {source}" if figure else source)
        for topic, item, figure, source in list_sources(plan)
    ]
    return [*list_basis(plan), *sources, *list_inputs(plan)]


def list_basis(plan: PlanTables) -> list[tuple[str, str, str]]:
    """Return cautions, rule sets, CRS and its distortion, choices, layers: rows of topic, item and text."""
    from tussock import __version__

    site = plan.site
    rows = [
        ("site", "name", site.name),
        ("site", "season", show_season(site.season)),
        ("site", "units", site.options.units),
        ("site", "made with", f"tussock {__version__}"),
        *(("caution", str(place), text) for place, text in enumerate(list_cautions(plan), start=1)),
        *((NOT_READY, blank, "") for blank in BLANKS),
    ]
    return [*rows, *_list_rules(plan), *_list_measures(plan)]


def _list_rules(plan: PlanTables) -> Iterator[tuple[str, str, str]]:
    for ruleset in plan.site.rulesets:
        head = ruleset.ruleset
        dates = f"valid {show_validity(head.valid_from, head.valid_to)}"
        read = f", read by {head.read_by}" if head.read_by else ""
        listed = "; what it does not list is refused" if head.listed_only else ""
        yield "rule set", head.title, f"{head.authority}; {dates}; {head.status}{read}{listed}; source: {head.source}"
    if not plan.site.rulesets:
        yield "rule set", "none", "no rules were loaded: the plan knows of no setback"


def _list_measures(plan: PlanTables) -> Iterator[tuple[str, str, str]]:
    options, crs = plan.site.options, plan.crs
    cells = f", in {crs.cells} cells" if crs.cells > 1 else ""
    error = f"largest error over the site: areas {crs.area_error:.3g}, distances {crs.distance_error:.3g} (relative)"
    chosen = "chosen for the site" if crs.chosen == "auto" else "as named"
    yield "CRS", "measured in", f"{crs.name} ({chosen}{cells}); {error}"
    yield "CRS", "delivered in", f"{plan.patches.crs.name}, the CRS of the infestation layer"
    yield "choice", "crs_area_tolerance", f"{options.crs_area_tolerance:.3g}"
    yield "choice", "sliver_area", f"{options.sliver_area_m2:.6g} m2: smaller pieces join their stricter neighbour"
    yield "choice", "cover_scheme", options.cover_scheme or "none: a class without a scheme is refused"
    yield "choice", "default_cover", options.default_cover or "none: a blank cover is unknown"
    for name, layer in plan.site.layers.items():
        accuracy = "not stated, 0 taken" if layer.accuracy_m is None else f"{layer.accuracy_m:.6g} m"
        widths = ", ".join(f"{kind} {width:.4g} m" for kind, width in sorted(layer.default_width_m.items()))
        datum = f"; outline stands for: {layer.datum}" if layer.datum else ""
        yield "layer", name, f"positional accuracy {accuracy}{datum}{f'; default widths: {widths}' if widths else ''}"
    water = plan.features.get("water")
    if water is not None and "width_assumed" in water.columns:
        assumed = water[water["width_assumed"].astype(bool)]
        for label, width in zip(assumed["label"], assumed["width_m"], strict=True):
            yield "default used", str(label), f"width of {width:.4g} m taken: check in the field"


def list_inputs(plan: PlanTables) -> Iterator[tuple[str, str, str]]:
    """Yield every input file with its hash: rows of topic, item and text."""
    for document in plan.site.documents:
        yield f"input: {document.role}", Path(document.name).name, f"SHA-256 {document.sha256}"
