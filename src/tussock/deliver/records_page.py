"""In: a plan. Out: record.pdf: the as-applied record on paper, a card for each planned unit and product in its tank."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tussock.base import columns as c
from tussock.base.stages import PlanTables
from tussock.base.text import show_season
from tussock.deliver.proposal_page import (
    OPEN_NOTE,
    choose_paper,
    draw_card,
    draw_cautions,
    draw_lists,
    draw_pages,
    make_gap,
)
from tussock.deliver.records import make_record
from tussock.deliver.sheets_layout import Block, bar, bold, facts_table, para, require_reportlab
from tussock.trade.record_fields import list_fields

RECORD_PDF: Final = "record.pdf"
_ACROSS: Final = 5
_HOW: Final = (
    "One card for each unit and product. What is printed is planned; fill in what was done, also where nothing was: "
    '"applied" is yes, part or no. "Ground treated" is counted as "ground to treat" is: only what was wetted (for stem '
    "work, the ground that the stems stand on), never the gross area where plants stand apart. The dose of the year is "
    "product used over ground treated. The same columns stand in record.csv: fill in a copy of it, dates as "
    "YYYY-MM-DD, and compare it with the plan by tussock review FOLDER --records COPY."
)


def write_record_pdf(plan: PlanTables, path: Path) -> None:
    """Write ``record.pdf``: Letter for a site in US units, A4 for a metric one; the same plan gives the same bytes.

    Raises
    ------
    MissingExtraError
        The package reportlab is not installed.
    """
    require_reportlab()
    paper = choose_paper(plan)
    listed = make_record(plan).to_dict("records")
    rows = [{str(name): value for name, value in row.items()} for row in listed]
    about = {"Site": plan.site.name, "Season": show_season(plan.site.season), "How": _HOW, "Blanks": OPEN_NOTE}
    facts = facts_table([(name, [text]) for name, text in about.items()], paper.inner_width)
    blocks = [Block((facts, *draw_cautions(plan)))]
    shown = {"unit_id", "patch_id", "product_id"}
    columns = [column for column in c.RECORD if column.stem not in shown]
    for row in rows:
        title = f"{row['unit_id']}: {row['product_id'] or str(row['method']).replace('_', ' ')}"
        card = draw_card(plan, columns, row, paper.inner_width, across=_ACROSS)
        blocks.append(Block((make_gap(), bar(bold(title)), *card)))
    if not rows:
        blocks.append(Block((para(bold("No unit of this plan has a treatment."), " There is nothing to record."),)))
    blocks.append(Block(tuple(draw_lists(list_fields("record"), "record.csv", paper.inner_width))))
    draw_pages(plan, ("As-applied record", "Not complete until the blanks are filled in."), blocks, paper, path)
