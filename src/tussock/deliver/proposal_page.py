"""In: a plan. Out: proposal.pdf: what is proposed, line by line, with every blank that the office or crew fills in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from tussock import __version__
from tussock.base import columns as c
from tussock.base.stages import PlanTables
from tussock.base.text import show_season
from tussock.deliver.cautions import list_cautions, list_rulesets
from tussock.deliver.proposal import make_proposal
from tussock.deliver.records import FILLED_IN
from tussock.deliver.sheets_ink import shorten
from tussock.deliver.sheets_layout import (
    MARGIN_PT,
    Block,
    Flow,
    Paper,
    bar,
    bold,
    clean,
    facts_table,
    heading,
    input_marks,
    load_fonts,
    open_canvas,
    para,
    require_reportlab,
    set_pages,
    table,
)
from tussock.trade.record_fields import FieldList, list_fields

PROPOSAL_PDF: Final = "proposal.pdf"
_LETTER: Final = (612.0, 792.0)
_A4: Final = (595.2756, 841.8898)
_HEAD_PT: Final = 46.0
_FOOT_PT: Final = 9.0
_LABEL_PT: Final = 8.5
_VALUE_PT: Final = 10.5
_BLANK_PT: Final = 16.0
_GAP_PT: Final = 7.0
_ACROSS: Final = 4
#: Columns that the plan leaves for a person; what else is blank is unknown or does not apply.
_OPEN: Final = frozenset({"growth_stage", "purpose", "registration", "applicator", "licence", *FILLED_IN})
_NOT_GIVEN: Final = "-"
_FIGURES: Final = 4

#: Words over a cell where the column's own name does not say it.
_LABELS: Final = {
    "product_id": "product",
    "registration": "registration number",
    "form": "form",
    "treatment_id": "treatment",
    "concentration_pct": "share in the mix",
    "spray": "spray volume",
    "rate_ae": "rate, highest (ae)",
    "unit_count": "units",
    "area": "gross area",
    "infested": "infested area",
    "ae": "acid equivalent",
    "date_from": "from",
    "date_to": "to",
    "nearest_water": "nearest mapped water",
    "planned_rate_ae": "planned rate (ae)",
    "planned_area": "gross area of the unit",
    "planned_treated": "ground to treat (wetted)",
    "area_treated": "ground treated (wetted)",
    "licence": "certification or licence",
}
_UNITS: Final = {"l": "L", "ml": "mL", "fl_oz": "fl oz", "l_per_ha": "L/ha"}
OPEN_NOTE: Final = "cells under a bold name are filled in by hand; - is not known, or does not apply"
_WIDE: Final = frozenset({"setbacks", "patches", "for_whom", "notes", "purpose"})


def write_proposal_pdf(plan: PlanTables, path: Path) -> None:
    """Write ``proposal.pdf``: Letter for a site in US units, A4 for a metric one; the same plan gives the same bytes.

    Raises
    ------
    MissingExtraError
        The package reportlab is not installed.
    """
    require_reportlab()
    paper = choose_paper(plan)
    rows = make_proposal(plan).to_dict("records")
    shown = {"line", "species", "method", "product_id"}
    blocks = [Block(tuple(_draw_front(plan, paper, len(rows))))]
    for row in [{str(name): value for name, value in item.items()} for item in rows]:
        title = f"{row['line']}. {row['species'] or 'plant not named'}: {row['product_id']}"
        method = str(row["method"]).replace("_", " ")
        columns = [column for column in c.PROPOSAL if column.stem not in shown]
        card = draw_card(plan, columns, row, paper.inner_width)
        blocks.append(Block((make_gap(), bar(bold(title), f", {method}"), *card)))
    blocks.append(Block(tuple(_draw_signatures(paper.inner_width))))
    blocks.append(Block(tuple(draw_lists(list_fields("proposal"), "proposal.csv", paper.inner_width))))
    draw_pages(plan, ("Proposal", "Not granted and not signed until the blanks are filled in."), blocks, paper, path)


def make_gap() -> Flow:
    """Return the room between two cards."""
    from reportlab.platypus import Spacer

    return Spacer(1, _GAP_PT)


def choose_paper(plan: PlanTables) -> Paper:
    """Return the paper of a site: Letter for US units, A4 for metric ones."""
    return Paper(*(_LETTER if plan.site.options.units == "us" else _A4), head=_HEAD_PT)


def _draw_front(plan: PlanTables, paper: Paper, count: int) -> list[Flow]:
    lines = "line" if count == 1 else "lines"
    facts: list[tuple[str, Sequence[Any]]] = [
        ("Site", [plan.site.name]),
        ("Season", [show_season(plan.site.season)]),
        (
            "Proposed",
            [f"{count} {lines}: each target, treatment and product; ways without herbicide are no part of it"],
        ),
        ("Amounts", ["likely values for one application; rates are acid equivalent (ae) on the treated ground"]),
        ("Blanks", [OPEN_NOTE]),
    ]
    facts += [
        ("Rule set", [bold(title), f", {who}; {dates}; {status}"]) for title, who, dates, status in list_rulesets(plan)
    ]
    if not plan.site.rulesets:
        facts.append(("Rule set", [bold("none loaded"), ": the plan knows of no setback"]))
    return [facts_table(facts, paper.inner_width), *draw_cautions(plan)]


def draw_cautions(plan: PlanTables) -> list[Flow]:
    """Return the cautions that every output carries."""
    return [heading("Before you rely on this"), *[para(f"- {text}", size=_VALUE_PT) for text in list_cautions(plan)]]


def draw_card(
    plan: PlanTables, columns: Sequence[c.Column], row: Mapping[str, Any], width: float, across: int = _ACROSS
) -> list[Flow]:
    """Return one row of a table as a grid of cells, name over value; a blank is an empty cell to write in.

    Parameters
    ----------
    plan
        For the units of the site.
    columns
        Columns to show, in order.
    row
        The row, by the names of the contract.
    width
        Room [pt].
    across
        Cells side by side.
    """
    system = plan.site.options.units
    narrow = [column for column in columns if column.stem not in _WIDE]
    wide = [column for column in columns if column.stem in _WIDE]
    cells: list[Any] = [_draw_cell(column, row[column.shown_name(system)], system) for column in narrow]
    cells += [""] * (-len(cells) % across)
    grid = [cells[place : place + across] for place in range(0, len(cells), across)]
    flows = [table(grid, [width / across] * across, pad=(1.5, 2))] if grid else []
    full = [[_draw_cell(column, row[column.shown_name(system)], system)] for column in wide]
    return [*flows, table(full, [width], pad=(1.5, 2))] if full else flows


def _draw_cell(column: c.Column, value: Any, system: c.UnitSystem) -> list[Flow]:
    from reportlab.platypus import Spacer

    label = _LABELS.get(column.stem, column.stem.replace("_", " "))
    text = show_value(column, value, system)
    if text or column.stem not in _OPEN:
        return [para(label, size=_LABEL_PT), para(text or _NOT_GIVEN, size=_VALUE_PT)]
    return [para(bold(label), size=_LABEL_PT), Spacer(1, _BLANK_PT)]


def show_value(column: c.Column, value: Any, system: c.UnitSystem) -> str:
    """Return a value of a table with its unit, to four figures; an empty text where there is none."""
    if value is None or str(value) in ("", "<NA>") or value != value:  # noqa: PLR0124  (nan is not itself)
        return ""
    if column.kind == "text":
        return str(value).replace("_", " ") if column.stem == "method" else str(value).replace(";", "; ")
    if column.kind == "count":
        return str(int(value))
    unit = "%" if column.stem.endswith("_pct") else ""
    if column.quantity is not None:
        suffix = column.quantity.suffix(system)
        unit = _UNITS.get(suffix, suffix.replace("_per_", "/").replace("_", " "))
    return f"{value:,.{_FIGURES}g} {unit}".strip() if abs(value) < 10**_FIGURES else f"{value:,.0f} {unit}".strip()


def _draw_signatures(width: float) -> list[Flow]:
    names = ("Proposed by, office", "Signature and date", "Reviewed by (qualified person)", "Signature and date",
             "Granted by, office", "Signature and date")  # fmt: skip
    rows = [[para(bold(left)), "", para(bold(right)), ""] for left, right in zip(names[::2], names[1::2], strict=True)]
    label, room = width * 0.22, width * 0.28
    return [heading("Signatures"), table(rows, [label, room, label, room], heights=[30.0] * len(rows))]


def draw_lists(lists: Iterable[FieldList], file: str, width: float) -> list[Flow]:
    """Return which published lists the columns answer, each with its source."""
    rows = [[para(bold("List"), size=9.5), para(bold(f"Columns of {file} that answer it"), size=9.5)]]
    for item in lists:
        names = ", ".join(_LABELS.get(name, name.replace("_", " ")) for name in item.columns)
        about = [para(bold(item.title), size=9.5), para(f"for {item.applies} products; {item.source}", size=8.5)]
        rows.append([about, para(names, size=9.5)])
    text = "States, counties and agencies ask for more: these lists are examples to fill the form by, no legal advice."
    grid = table(rows, [width * 0.5, width * 0.5], lines="rows", head=True)
    return [heading("What published lists ask for"), para(text, size=_VALUE_PT), grid]


def draw_pages(plan: PlanTables, head: tuple[str, str], blocks: Sequence[Block], paper: Paper, path: Path) -> None:
    """Set blocks on pages with head (title, and the line below it) and foot, and write them."""
    pages = set_pages(blocks, paper)
    canvas = open_canvas(path, paper, f"{head[0]}: {plan.site.name}, season {plan.site.season}")
    for number, page in enumerate(pages, start=1):
        _draw_rim(canvas, plan, head, f"Page {number} of {len(pages)}", paper)
        top = paper.height - MARGIN_PT - paper.head
        for flow, offset in page:
            tall = flow.wrapOn(canvas, paper.inner_width, paper.inner_height)[1]
            flow.drawOn(canvas, MARGIN_PT, top - offset - tall)
        canvas.showPage()
    canvas.save()


def _draw_rim(canvas: Any, plan: PlanTables, head: tuple[str, str], page: str, paper: Paper) -> None:
    """Draw title, site and season above, and page number and input marks below."""
    fonts, (title, word) = load_fonts(), head
    left, right, top = MARGIN_PT, paper.width - MARGIN_PT, paper.height - MARGIN_PT
    canvas.setFillGray(0)
    canvas.setStrokeGray(0)
    canvas.setFont(fonts.bold, 18)
    canvas.drawString(left, top - 16, clean(title))
    canvas.setFont(fonts.regular, 10)
    room = paper.inner_width - canvas.stringWidth(title, fonts.bold, 18) - 14
    site = shorten(clean(f"{plan.site.name}, season {plan.site.season}"), fonts.regular, 10, room)
    canvas.drawRightString(right, top - 12, site)
    canvas.drawString(left, top - 32, word)
    canvas.setLineWidth(1.2)
    canvas.line(left, top - 38, right, top - 38)
    canvas.setLineWidth(0.8)
    canvas.line(left, MARGIN_PT + 12, right, MARGIN_PT + 12)
    canvas.setFont(fonts.regular, _FOOT_PT)
    canvas.drawRightString(right, MARGIN_PT, page)
    marks = f"Tussock {__version__}; {input_marks(plan.site.documents)}; the label on the container is the law."
    room = paper.inner_width - canvas.stringWidth(page, fonts.regular, _FOOT_PT) - 14
    canvas.drawString(left, MARGIN_PT, shorten(clean(marks), fonts.regular, _FOOT_PT, room))
