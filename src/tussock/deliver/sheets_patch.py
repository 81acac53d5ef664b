"""In: one patch of a plan. Out: its sheet in blocks: map, stop rules, units in front; overleaf why, blanks, record."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.approval import UNCHECKED
from tussock.base.records import LOOK, Product
from tussock.deliver import cautions as said
from tussock.deliver import sheets_words as w
from tussock.deliver.sheets_binder import Binder
from tussock.deliver.sheets_layout import (
    ACT_PT,
    SMALL_PT,
    Block,
    Flow,
    Paper,
    Piece,
    bar,
    bold,
    heading,
    measure,
    para,
    share_widths,
    table,
)
from tussock.deliver.sheets_map import patch_map, short_unit
from tussock.deliver.sheets_unit import describe_cover, draw_cards, draw_refusals, draw_rules
from tussock.trade.methods import METHODS
from tussock.wording.outlines import DRAW_ANEW, describe_set_aside

_RECORD_ROWS: Final = 4
_NOTE_PT: Final = 26.0
_LEAST_NOTES: Final = 2
_SIGNATURES: Final = (
    "Applicator in charge, licence",
    "Signature and date",
    "Supervisor, licence",
    "Signature and date",
    "Crew present",
    "Wind and weather read by",
    "Equipment calibrated on, by",
)
_OWN_COLUMNS: Final = frozenset({"geometry", "stems_per_acre", "stems_per_ha", "stem_count", "stem_diameter_in"})


@dataclass(frozen=True)
class Layout:
    """How close a sheet is set: least height of its map, of its blanks and of the lines of its record [pt].

    ``compact`` has what units share said once above them; ``spare`` is whether the record has a line more than units;
    with ``large_map`` the map has the front to itself, with the stop rules, and every unit goes overleaf.
    """

    map_pt: float = 245.0
    blank_pt: float = 30.5
    line_pt: float = 21.5
    compact: bool = False
    spare: bool = True
    large_map: bool = False


FULL: Final = Layout()
LARGE_MAP: Final = Layout(large_map=True)
_TIGHT: Final = Layout(compact=True, blank_pt=27.0, line_pt=20.0, spare=False)
#: Closer settings, the largest map first; then with less to write on, lines of 7 mm; no map is under three inches.
CLOSER: Final = (
    *(Layout(compact=True, map_pt=high) for high in (420.0, 370.0, 320.0, 280.0, 245.0)),
    *(replace(_TIGHT, map_pt=high) for high in (320.0, 280.0, 245.0, 216.0)),
)


def list_patch_blocks(
    binder: Binder,
    place: int,
    patch: Mapping[str, Any],
    paper: Paper,
    common_page: int,
    layout: Layout = FULL,
) -> list[Block]:
    """Return the blocks of one patch's sheet, in reading order.

    The front holds the map, the stop rules and as many units as leave the map its room; further units, the reasons and
    the blanks follow overleaf.

    Parameters
    ----------
    binder
        The plan.
    place
        Row of the patch.
    patch
        That row.
    paper
        Room on a page.
    common_page
        Page of the cautions that all sheets share.
    layout
        How close it is set.
    """
    units = binder.units.get(str(patch["patch_id"]), [])
    wide = paper.inner_width
    facts, rules = _patch_facts(binder, patch, units), _stop_rules(binder, units, wide, common_page)
    cards = draw_cards(binder, units, wide, compact=layout.compact)
    if not units:
        cards = [para(bold("This patch has no treatment units."), " Nothing is planned here.", size=ACT_PT)]
    left = paper.inner_height - _height([*facts, *rules], paper) - 1
    least = layout.map_pt
    front, rest = _part_cards(cards, 0.0 if layout.large_map else left - least, paper)
    high = left - _height(front, paper)
    if high < least:  # texts without an end: the map takes a page that it shares with nothing but the facts
        high = max(paper.inner_height - _height(facts, paper) - 1, least)
    drawn = patch_map(binder.site, place, wide, high, binder.system)
    blocks = [Block(tuple(flows)) for flows in (facts, [drawn], rules, front)]
    back = [Block((card,)) for card in rest]
    back += [Block(tuple(draw_refusals(binder, unit))) for unit in units]
    back += [Block(tuple(draw_rules(binder, str(patch["patch_id"]), units, wide)))]
    back.append(Block(tuple(_other_ways(units, joined=layout.compact))))
    back += [Block(tuple(_people(wide, layout))), Block(tuple(_record(units, wide, layout)))]
    back = [block for block in back if block.flows]
    return [*blocks, Block(back[0].flows, new_page=True), *back[1:]]


def _height(flows: Sequence[Flow], paper: Paper) -> float:
    return measure(flows, paper.inner_width, paper.inner_height)


def _part_cards(cards: Sequence[Flow], room: float, paper: Paper) -> tuple[list[Flow], list[Flow]]:
    """Return the cards, or whole rows of them, that fit in a height [pt], and the rest."""
    front: list[Flow] = []
    for number, card in enumerate(cards):
        tall = _height([card], paper)
        if tall > room:
            parts = card.split(paper.inner_width, room) if room > 0 else []
            parts = parts if len(parts) == 2 else [None, card]  # noqa: PLR2004  (what fits, and the rest)
            return [*front, *parts[:1]] if parts[0] else front, [parts[1], *cards[number + 1 :]]
        front.append(card)
        room -= tall
    return front, []


def fill_page(page: Sequence[tuple[Flow, float]], paper: Paper, extra: Sequence[Flow] = ()) -> list[tuple[Flow, float]]:
    """Return a page with its free room used: by ``extra`` where that fits, then by lines for notes."""
    filled = list(page)
    used = max((top + _height([flow], paper) for flow, top in page), default=0.0)
    if extra and used + _height(extra, paper) <= paper.inner_height:
        for flow in extra:
            filled.append((flow, used))
            used += _height([flow], paper)
    head = heading("Notes and sketch")
    tall = _height([head], paper)
    count = int((paper.inner_height - used - tall - 1) // _NOTE_PT)
    if count < _LEAST_NOTES:
        return filled
    lines = table([[""]] * count, [paper.inner_width], lines="rows", heights=[_NOTE_PT] * count)
    return [*filled, (head, used), (lines, used + tall)]


# ---- front


def _patch_facts(binder: Binder, patch: Mapping[str, Any], units: Sequence[Mapping[str, Any]]) -> list[Flow]:
    system = binder.system
    species = patch["species"] if w.is_known(patch["species"]) else "species not named"
    form = f" ({patch['growth_form']})" if w.is_known(patch["growth_form"]) else ""
    area, covered = (w.show_cell(patch, stem, c.AREA, system) for stem in ("area", "infested"))
    count = f"{len(units)} {'unit' if len(units) == 1 else 'units'}"
    flows = [
        para(bold(species), form, f", {describe_cover(patch)}; {area}, of it covered {covered}; {count}", size=ACT_PT),
        para("Planned: ", *_describe_total(binder, patch), size=ACT_PT),
    ]
    if w.is_known(patch["set_aside"]):
        why = describe_set_aside(str(patch["set_aside"]))
        flows.append(para(bold(f"Set aside, nothing is planned: {why}; {DRAW_ANEW}"), size=ACT_PT))
    shared = _describe_overlaps(binder, str(patch["patch_id"]))
    if shared:
        flows.append(para(bold(f"Shared ground: {shared}"), size=ACT_PT))
    if w.is_known(patch.get("approval")):
        change = f": {patch['approval_change']}" if w.is_known(patch["approval_change"]) else ""
        flows.append(para("Approval: ", bold(patch["approval"]), f"{change} ({UNCHECKED})", size=ACT_PT))
    notes = _describe_own_columns(binder, patch)
    return [*flows, para(notes, size=SMALL_PT)] if notes else flows


def _describe_total(binder: Binder, patch: Mapping[str, Any]) -> list[Piece]:
    system = binder.system
    words = {"planned": "all of it", "partly": "in part", "none": "nothing"}
    if w.is_known(patch["found_empty"]):
        return [bold("a look only"), f": found empty; crew {w.show_cell(patch, 'crew', c.HOURS, system)}"]
    return [
        bold(words.get(str(patch["status"]), str(patch["status"]))),
        f"; mix {w.show_total(patch, 'spray', system)}, product {w.show_total(patch, 'product', system)}, "
        f"crew {w.show_cell(patch, 'crew', c.HOURS, system)} (all persons added up)",
    ]


def _describe_overlaps(binder: Binder, patch_id: str) -> str:
    texts = []
    for row in binder.plan.overlaps.itertuples():
        pair = (str(row.patch_a), str(row.patch_b))
        if patch_id not in pair:
            continue
        other = pair[1] if pair[0] == patch_id else pair[0]
        size = c.AREA.size(binder.system)
        area = f"{w.figures(float(row.area_m2) / size)} {c.AREA.suffix(binder.system)}"
        what = "one species, treated once" if row.same_species else "two species, the doses add up"
        texts.append(f"{area} with {other}: {what}")
    return "; ".join(texts)


def _describe_own_columns(binder: Binder, patch: Mapping[str, Any]) -> str:
    known = {*c.shown_names(c.PATCHES, binder.system), *_OWN_COLUMNS}
    own = [(str(name), value) for name, value in patch.items() if name not in known and w.is_known(value)]
    return "; ".join(f"{re.sub('_pct$', ' [%]', name)}: {value}" for name, value in own)


def _products(binder: Binder, units: Iterable[Mapping[str, Any]]) -> list[Product]:
    treatments = [binder.treatments.get(str(unit["treatment_id"])) for unit in units]
    partners = {item.product for treatment in treatments if treatment is not None for item in treatment.tank_mix}
    used = partners | {str(unit["product_id"]) for unit in units}
    return [product for name, product in binder.plan.site.products.items() if name in used]


def _stop_rules(binder: Binder, units: Sequence[Mapping[str, Any]], wide: float, common_page: int) -> list[Flow]:
    """Return stop rules and protective equipment of the products used, as the product records give them."""
    head = bar(bold("STOP RULES AND PROTECTIVE EQUIPMENT"), " (the label on the container is the law)")
    short = para(f"{_SHORT} All cautions: page {common_page}.", size=SMALL_PT)
    products = _products(binder, units)
    if not products:
        text = "No herbicide is planned on this patch. Gloves, eye protection, sound footing; stop when unsure."
        return [head, para(bold(text), size=ACT_PT), short]
    names = ("Outside of these: stop", "Wind", "Temperature", "Rain", "Re-entry")
    rows: list[list[Any]] = [[para(bold(name), size=SMALL_PT) for name in names]]
    for product in products:
        heat = f"; {product.heat_limit}" if product.heat_limit else ""
        limits = (product.wind, f"{product.temperature or _SEE}{heat}", product.rain, product.reentry)
        named = para(bold(product.id), *_warn_product(product))
        rows.append([named, *[para(bold(text or _SEE)) for text in limits]])
    form = table(rows, share_widths(wide, [2.55, 1.05, 1.15, 1.2, 0.9]), head=True, pad=(1, 3))
    return [head, form, *_list_wear(products), short]


_SEE: Final = "see label"
_SHORT: Final = (
    "A licensed or supervised person applies. Flag the real edge that day. Judge water, people, wind, inversion and "
    "rain on site: the applicator may stop at any time. Calibrate; mix what the day needs."
)


def _list_wear(products: Sequence[Product]) -> list[Flow]:
    """Return what to wear: once for all products where they ask for the same."""
    wear = {product.id: ", ".join(product.ppe) or _SEE for product in products}
    same = len(set(wear.values())) == 1
    return [
        para(bold("Wear: " if same else f"Wear with {name}: "), text, size=ACT_PT)
        for name, text in list(wear.items())[: 1 if same else None]
    ]


def _warn_product(product: Product) -> list[Piece]:
    words: list[Piece] = [" (aquatic label)" if product.aquatic_label else " (no aquatic label)"]
    if product.signal_word:
        words.append(bold(f" {product.signal_word}"))
    if product.restricted_use:
        words.append(bold("; restricted use: certified applicator only"))
    if product.soil_active:
        words.append("; active in soil: keep off tree roots")
    if "invented" in product.source.casefold():
        words.append(bold("; invented"))
    return words


# ---- overleaf


def list_method_cautions(units: Iterable[Mapping[str, Any]]) -> list[Flow]:
    """Return what to take care of with the methods of some units; it stands on the common page too."""
    used = [name for name in METHODS if name in {str(unit["method"]) for unit in units}]
    texts = [(METHODS[name].title, " ".join(METHODS[name].cautions)) for name in used]
    flows = [para(bold(f"{title}: "), text, size=SMALL_PT) for title, text in texts if text]
    return [heading("Care with these methods"), *flows] if flows else []


def _other_ways(units: Sequence[Mapping[str, Any]], *, joined: bool = False) -> list[Flow]:
    """Return the treatments by name, and the ways without herbicide; units without an option name their own."""
    ways: dict[str, None] = {}
    names: dict[str, list[str]] = {}
    for unit in units:
        if unit["status"] == "planned" and unit["method"] != LOOK:
            short = short_unit(str(unit["unit_id"]), str(unit["patch_id"]))
            names.setdefault(str(unit["treatment_id"]), []).append(short)
            if w.is_known(unit["product_id"]) and w.is_known(unit["non_chemical"]):
                ways[str(unit["non_chemical"])] = None
    planned = "; ".join(f"{', '.join(shorts)} {name}" for name, shorts in names.items())
    texts: list[list[Piece]] = [[bold("Treatments: "), planned]] if names else []
    texts += [[bold("Without herbicide: "), "; or: ".join(ways)]] if ways else []
    if joined and len(texts) > 1:
        texts = [[*texts[0], ". ", *texts[1]]]
    return [para(*pieces, size=SMALL_PT) for pieces in texts]


def _people(wide: float, layout: Layout) -> list[Flow]:
    """Return the blanks: what each is for stands small in its corner."""
    names = [*said.BLANKS, *_SIGNATURES]
    names += [""] * (-len(names) % _BLANKS_IN_ROW)
    cells = [para(name, size=_CORNER_PT) for name in names]
    rows = [cells[place : place + _BLANKS_IN_ROW] for place in range(0, len(cells), _BLANKS_IN_ROW)]
    form = table(rows, share_widths(wide, [1.0] * _BLANKS_IN_ROW), heights=[layout.blank_pt] * len(rows), pad=(1, 1))
    return [heading("To be filled in before work"), form]


_BLANKS_IN_ROW: Final = 4
_CORNER_PT: Final = 9.0


def _record(units: Sequence[Mapping[str, Any]], wide: float, layout: Layout) -> list[Flow]:
    """Return the as-applied record, a line for each planned unit and, where there is room, some more."""
    names = ("Date", "From - to", "Unit", "Wind, from", "Temp.", "Mix used", "Area", "Applicator")
    head = [para(bold(name), size=SMALL_PT) for name in names]
    planned = [_name_unit(unit) for unit in units if unit["status"] == "planned"]
    lines = [*planned, *[""] * max(_RECORD_ROWS - len(planned), int(layout.spare))]
    rows = [head, *[["", "", para(unit_id), "", "", "", "", ""] for unit_id in lines]]
    widths = share_widths(wide, [0.9, 1.0, 1.05, 1.1, 0.8, 0.9, 1.0, 1.4])
    heights = [None, *[layout.line_pt] * len(lines)]
    return [heading("As applied"), table(rows, widths, head=True, heights=heights)]


def _name_unit(unit: Mapping[str, Any]) -> str:
    unit_id = str(unit["unit_id"])
    return unit_id if len(unit_id) <= _SHORT_ID else w.cut_text(short_unit(unit_id, str(unit["patch_id"])), _SHORT_ID)


_SHORT_ID: Final = 9
