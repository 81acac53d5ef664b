"""In: a plan, the pages of its sheets. Out: the blocks of the overview: map, index, totals, rules, cautions, blanks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.text import show_count
from tussock.deliver import cautions as said
from tussock.deliver import sheets_words as w
from tussock.deliver.sheets_binder import Binder, list_rows
from tussock.deliver.sheets_layout import Block, Flow, Paper, bold, heading, load_fonts, para, share_widths, table
from tussock.deliver.sheets_map import site_map
from tussock.wording.outlines import name_set_aside

_SHORT_ID: Final = 6


def label_patches(patch_ids: Sequence[str]) -> list[str]:
    """Return the labels of patches on the map of the site: their ids where all are short, else numbers of sheets."""
    if all(len(name) <= _SHORT_ID for name in patch_ids):
        return list(patch_ids)
    return [str(number) for number in range(1, len(patch_ids) + 1)]


def list_overview_blocks(
    binder: Binder, patches: Sequence[Mapping[str, Any]], first_pages: Sequence[int], paper: Paper, common_page: int
) -> list[Block]:
    """Return the blocks of the overview.

    Parameters
    ----------
    binder
        The plan.
    patches
        Rows of the patches.
    first_pages
        First page of each patch's sheet; zeros while the overview is being measured.
    paper
        Room on a page.
    common_page
        Page of the cautions that all sheets share.
    """
    wide = paper.inner_width
    labels = label_patches(binder.site.patch_ids)
    words = para(
        f"{show_count(len(patches), 'patch')}, {show_count(len(binder.plan.units), 'treatment unit')}. Units are "
        f"{'US' if binder.system == 'us' else 'metric'}. One sheet for each patch follows, its page is in the index. "
        f"Print on both sides: each sheet starts on paper of its own. Read page {common_page} before work. A question "
        "mark stands for what is not known."
    )
    aside = name_set_aside(binder.plan.patches)
    top = [words, para(bold(aside))] if aside else [words]
    high = paper.inner_height - sum(flow.wrap(wide, paper.inner_height)[1] for flow in top)
    blocks = [Block((*top, site_map(binder.site, labels, wide, high, binder.system)))]
    blocks.append(
        Block((heading("Index of patches"), _index(binder, patches, labels, first_pages, wide)), new_page=True)
    )
    parts = (_totals, _season, _rulesets, _closures, _inputs)
    blocks.extend(Block(tuple(flows)) for flows in (part(binder, wide) for part in parts) if flows)
    return blocks


def anchor_name(number: int) -> str:
    """Return the name of the place in the document where a sheet begins."""
    return f"sheet-{number + 1}"


def _index(
    binder: Binder, patches: Sequence[Mapping[str, Any]], labels: Sequence[str], first_pages: Sequence[int], wide: float
) -> Flow:
    system = binder.system
    area = c.AREA.suffix(system)
    names = ["Map", "Patch", "Target plant", area.capitalize(), "Units", "Planned", "Mix", "Crew h", "Page"]
    numbered = list(labels) != list(binder.site.patch_ids)
    rows: list[list[Any]] = [[para(bold(name)) for name in names[0 if numbered else 1 :]]]
    for number, patch in enumerate(patches):
        aside = w.is_known(patch["set_aside"])
        cells = [
            para(bold(w.cut_text(patch["patch_id"])), anchor=anchor_name(number)),
            para(w.cut_text(patch["species"])),
            para(_number(patch[f"area_{area}"]), align=2),
            para(len(binder.units.get(str(patch["patch_id"]), [])), align=2),
            para(bold("set aside")) if aside else para(_tell_status(patch)),
            para(_total(patch, "spray", system), align=2),
            para(_number(patch[f"crew_{c.HOURS.suffix(system)}"]), align=2),
            para(str(first_pages[number]), align=2, anchor=anchor_name(number)),
        ]
        rows.append([para(labels[number], align=2), *cells] if numbered else cells)
    parts = [0.55, 1.2, 1.9] if numbered else [0.9, 2.2]
    return table(rows, share_widths(wide, [*parts, *_FIGURE_PARTS]), head=True, pad=(1.5, 2.5))


#: Widths of the columns of figures: none is broken in two, not 0.00105 either.
_FIGURE_PARTS: Final = (0.97, 0.7, 1.0, 1.15, 0.85, 0.7)


_STATUS: Final = {"planned": "all", "partly": "in part", "none": "nothing"}


def _tell_status(patch: Mapping[str, Any]) -> str:
    """Return how much of a patch is planned, in a word."""
    return "look" if w.is_known(patch["found_empty"]) else _STATUS.get(str(patch["status"]), str(patch["status"]))


def _number(value: Any, digits: int = 3) -> str:
    return w.figures(float(value), digits) if w.is_known(value) else "?"


def _total(row: Mapping[str, Any], stem: str, system: c.UnitSystem) -> str:
    text = w.show_total(row, stem, system)
    return "?" if text == w.UNKNOWN else text


def _totals(binder: Binder, wide: float) -> list[Flow]:
    system = binder.system
    rows: list[list[Any]] = [
        [para(bold(name)) for name in ("Product", "Active, form", "Units", "Mix", "Product", "Acid eq.")]
    ]
    for row in list_rows(binder.plan.product_budget):
        cells = [
            para(bold(row["product_id"])),
            para(f"{row['active']}, {row['form']}"),
            para(int(row["unit_count"]), align=2),
            *[
                para(text, align=2)
                for text in (
                    _total(row, "spray", system),
                    _total(row, "product", system),
                    w.show_cell(row, "ae", c.MASS, system),
                )
            ],
        ]
        rows.append(cells)
    if len(rows) == 1:
        return [heading("Totals by product"), para("No herbicide is planned.")]
    return [heading("Totals by product"), table(rows, share_widths(wide, [2.5, 1.7, 0.7, 1.05, 1.05, 1.05]), head=True)]


def _season(binder: Binder, wide: float) -> list[Flow]:
    rows: list[list[Any]] = [[para(bold(name)) for name in ("Season", "Low", "Likely", "High", "Unit")]]
    for row in list_rows(binder.plan.season):
        numbers = [para(_number(row[name], _RANGE_DIGITS), align=2) for name in ("low", "likely", "high")]
        rows.append([para(row["item"]), *numbers, para(_UNITS.get(str(row["unit"]), row["unit"]))])
    text = (
        "Low and high follow from the range of cover; over the season the ranges of the patches add up in quadrature."
    )
    return [
        heading("Season totals"),
        table(rows, share_widths(wide, [3.6, 1, 1, 1, 0.6]), head=True, pad=(1.5, 2.5)),
        para(text),
    ]


#: With fewer figures, low and high of a season would often read the same as the likely value.
_RANGE_DIGITS: Final = 5


_UNITS: Final = {"count": "", "l": "L"}


def _rulesets(binder: Binder, wide: float) -> list[Flow]:
    rows: list[list[Any]] = [[para(bold(name)) for name in ("Rule set", "Authority", "Valid", "Status")]]
    for title, authority, dates, status in said.list_rulesets(binder.plan):
        draft = status.startswith("draft")
        rows.append(
            [
                para(bold(title)),
                para(authority),
                para(dates),
                para(bold("DRAFT: not checked")) if draft else para(status),
            ]
        )
    if len(rows) == 1:
        return [
            heading("Rule sets loaded"),
            para(bold("No rule set was loaded."), " Nothing here was checked against rules."),
        ]
    return [heading("Rule sets loaded"), table(rows, share_widths(wide, [2, 1.4, 1.2, 1.4]), head=True)]


def _closures(binder: Binder, wide: float) -> list[Flow]:
    listed = w.list_closures(binder.plan.site.options.closures)
    if not listed:
        return []
    rows: list[list[Any]] = [[para(bold(name)) for name in ("Closed", "Days", "Why")]]
    rows += [[para(bold(name)), para(days), para(why)] for name, days, why in listed]
    return [heading("Days on which the site is closed"), table(rows, share_widths(wide, [1, 1.4, 2.6]), head=True)]


def _inputs(binder: Binder, wide: float) -> list[Flow]:
    rows: list[list[Any]] = [[para(bold(name)) for name in ("Input", "File", "SHA-256, first 16 digits")]]
    roles: dict[tuple[str, str], list[str]] = {}
    for item in binder.plan.site.documents:
        roles.setdefault((item.name, item.sha256[:16]), []).append(item.role)
    rows += [[para(_join_roles(found)), para(name), para(mark)] for (name, mark), found in roles.items()]
    crs = binder.plan.crs
    text = (
        f"Measured in {crs.name}: distances true to {crs.distance_error:.1e}, areas to {crs.area_error:.1e}. "
        f"{load_fonts().note}"
    )
    return [heading("Inputs"), table(rows, share_widths(wide, [2, 1, 1.2]), head=True, pad=(1.5, 2.5)), para(text)]


def _join_roles(roles: Sequence[str]) -> str:
    """Return what one file is read for: "layer water, layer access" is "layers water, access"."""
    layers = [role.removeprefix("layer ") for role in roles if role.startswith("layer ")]
    others = [role for role in roles if not role.startswith("layer ")]
    named = [f"{'layer' if len(layers) == 1 else 'layers'} {', '.join(layers)}"] if layers else []
    return ", ".join([*others, *named])
