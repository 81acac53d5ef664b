"""In: a plan. Out: crew_sheets.pdf: an overview, and one sheet for each patch, drawn as vectors, black on white."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tussock import __version__
from tussock.base.stages import PlanTables
from tussock.deliver.cautions import NOT_READY
from tussock.deliver.sheets_binder import Binder, list_rows
from tussock.deliver.sheets_common import list_common_blocks
from tussock.deliver.sheets_ground import lay_out_site
from tussock.deliver.sheets_ink import shorten
from tussock.deliver.sheets_layout import (
    MARGIN_PT,
    Flow,
    Paper,
    clean,
    input_marks,
    load_fonts,
    open_canvas,
    require_reportlab,
    set_pages,
)
from tussock.deliver.sheets_overview import anchor_name, list_overview_blocks
from tussock.deliver.sheets_patch import (
    CLOSER,
    FULL,
    LARGE_MAP,
    Layout,
    fill_page,
    list_method_cautions,
    list_patch_blocks,
)

_HEAD_PT: Final = 50.0
_LETTER: Final = (612.0, 792.0)
_A4: Final = (595.2756, 841.8898)
_TITLE_PT: Final = 20.0
_LEAST_PT: Final = 11.0
_FOOT_PT: Final = 9.0

Page = Sequence[tuple[Flow, float]]


@dataclass(frozen=True)
class Sheet:
    """One sheet: what its head says, the pages it takes, and the anchor that the index links to."""

    title: str
    place: str
    pages: Sequence[Page]
    anchor: str


def write_sheets(plan: PlanTables, path: Path) -> None:
    """Write the crew sheets of a plan as one PDF.

    Letter paper for a site in US units, A4 for a metric one. The same plan gives the same bytes.

    Parameters
    ----------
    plan
        A whole plan; one without units, or with one, gives readable sheets too.
    path
        File to write.

    Raises
    ------
    MissingExtraError
        The package reportlab is not installed.
    """
    require_reportlab()
    size = _LETTER if plan.site.options.units == "us" else _A4
    paper = Paper(*size, head=_HEAD_PT)
    binder = Binder(plan, lay_out_site(plan))
    patches = list_rows(plan.patches.drop(columns="geometry"))
    common = _fill_leaves(set_pages(list_common_blocks(binder, paper), paper), paper)
    measured = _set_overview(binder, patches, [9999] * len(patches), paper, 999)
    common_page = len(measured) + 1
    sheets = [Sheet("Read before work", "For all sheets", common, "common")]
    for number, patch in enumerate(patches):
        pages = _set_patch(binder, number, patch, paper, common_page)
        place = f"Sheet {number + 1} of {len(patches)}"
        sheets.append(Sheet(f"Patch {patch['patch_id']}", place, pages, anchor_name(number)))
    first_pages, next_page = [], len(measured) + 1
    for sheet in sheets:
        first_pages.append(next_page)
        next_page += len(sheet.pages)
    overview = _set_overview(binder, patches, first_pages[1:], paper, common_page)
    _draw_document(plan, [Sheet("Overview", "Crew sheets", overview, "overview"), *sheets], paper, path)


def _set_patch(
    binder: Binder, number: int, patch: Mapping[str, Any], paper: Paper, common_page: int
) -> list[list[tuple[Flow, float]]]:
    """Return the pages of a patch: in full on one leaf; else closer on fewer leaves; else with a large map."""
    care = list_method_cautions(binder.units.get(str(patch["patch_id"]), []))

    def lay_out(layout: Layout) -> list[list[tuple[Flow, float]]]:
        return set_pages(list_patch_blocks(binder, number, patch, paper, common_page, layout), paper)

    pages = lay_out(FULL)
    if len(pages) > _LEAF_PAGES:
        larger = lay_out(LARGE_MAP)
        pages = larger if _count_leaves(larger) <= _count_leaves(pages) else pages
        wanted, coarsest = _count_leaves(lay_out(CLOSER[-1])), _COARSER * _find_scale(larger[0])
        closer = map(lay_out, CLOSER if wanted < _count_leaves(pages) else ())
        fitting = next((found for found in closer if _count_leaves(found) <= wanted), None)
        if fitting is not None and _find_scale(fitting[0]) <= coarsest:
            pages = fitting
    return _fill_leaves(pages, paper, care)


#: A closer sheet may show the ground that much smaller than one with a large map; beyond that, labels crowd.
_COARSER: Final = 1.7
_LEAF_PAGES: Final = 2


def _find_scale(front: Page) -> float:
    """Return the metres on the ground for one point of the map on a page."""
    return next(float(flow.find_scale()) for flow, _ in front if hasattr(flow, "find_scale"))


def _count_leaves(pages: Sequence[Page]) -> int:
    return math.ceil(len(pages) / _LEAF_PAGES)


def _set_overview(
    binder: Binder, patches: Sequence[Mapping[str, Any]], first_pages: Sequence[int], paper: Paper, common_page: int
) -> list[list[tuple[Flow, float]]]:
    return _fill_leaves(set_pages(list_overview_blocks(binder, patches, first_pages, paper, common_page), paper), paper)


def _fill_leaves(
    pages: list[list[tuple[Flow, float]]], paper: Paper, extra: Sequence[Flow] = ()
) -> list[list[tuple[Flow, float]]]:
    """Return pages filled up to an even number: printed on both sides, each sheet starts on paper of its own."""
    filled = [*pages[:-1], fill_page(pages[-1], paper, extra)]
    return [*filled, fill_page([], paper)] if len(filled) % 2 else filled


def _draw_document(plan: PlanTables, sheets: Sequence[Sheet], paper: Paper, path: Path) -> None:
    canvas = open_canvas(path, paper, f"Crew sheets: {plan.site.name}, season {plan.site.season}")
    canvas.setSubject(NOT_READY)
    total = sum(len(sheet.pages) for sheet in sheets)
    number = 0
    for sheet in sheets:
        canvas.bookmarkPage(sheet.anchor)
        canvas.addOutlineEntry(clean(sheet.title), sheet.anchor, level=0)
        for part, page in enumerate(sheet.pages):
            number += 1
            where = f"{sheet.place}, page {part + 1} of {len(sheet.pages)}"
            _draw_head(canvas, plan, sheet.title, where, paper)
            _draw_foot(canvas, plan, f"Page {number} of {total}", paper)
            top = paper.height - MARGIN_PT - paper.head
            for flow, offset in page:
                tall = flow.wrapOn(canvas, paper.inner_width, paper.inner_height)[1]
                flow.drawOn(canvas, MARGIN_PT, top - offset - tall)
            canvas.showPage()
    canvas.save()


def _draw_head(canvas: Any, plan: PlanTables, title: str, where: str, paper: Paper) -> None:
    """Draw title, place, site and season, and the word that blanks are open."""
    fonts = load_fonts()
    left, right, top = MARGIN_PT, paper.width - MARGIN_PT, paper.height - MARGIN_PT
    site = shorten(clean(f"{plan.site.name}, season {plan.site.season}"), fonts.regular, 10, paper.inner_width * 0.68)
    taken = max(canvas.stringWidth(text, fonts.regular, 10) for text in (where, site))
    canvas.setFillGray(0)
    room = paper.inner_width - taken - 14
    size = min(_TITLE_PT, max(_TITLE_PT * room / canvas.stringWidth(clean(title), fonts.bold, _TITLE_PT), _LEAST_PT))
    canvas.setFont(fonts.bold, size)
    canvas.drawString(left, top - 18, shorten(clean(title), fonts.bold, size, room))
    canvas.setFont(fonts.regular, 10)
    canvas.drawRightString(right, top - 8, where)
    canvas.drawRightString(right, top - 21, site)
    text = NOT_READY
    if any(ruleset.ruleset.status == "draft" for ruleset in plan.site.rulesets):
        text += ". DRAFT rule sets: not checked"
    canvas.setStrokeGray(0)
    canvas.setLineWidth(1.6)
    canvas.rect(left, top - 44, paper.inner_width, 17, stroke=1, fill=0)
    canvas.setFont(fonts.bold, 12)
    canvas.drawCentredString(paper.width / 2, top - 40, text)


def _draw_foot(canvas: Any, plan: PlanTables, page: str, paper: Paper) -> None:
    fonts = load_fonts()
    y = MARGIN_PT
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.8)
    canvas.setDash([])
    canvas.line(MARGIN_PT, y + 12, paper.width - MARGIN_PT, y + 12)
    canvas.setFont(fonts.regular, _FOOT_PT)
    canvas.drawRightString(paper.width - MARGIN_PT, y, page)
    room = paper.inner_width - canvas.stringWidth(page, fonts.regular, _FOOT_PT) - 14
    marks = f"Tussock {__version__}; {input_marks(plan.site.documents)}; the label on the container is the law."
    canvas.drawString(MARGIN_PT, y, shorten(clean(marks), fonts.regular, _FOOT_PT, room))
