"""In: one patch of a plan. Out: the blocks of its sheet: map, stop rules, unit cards, rules, blanks, record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.records import Product
from tussock.base.stages import PlanTables
from tussock.deliver import cautions as said
from tussock.deliver import sheets_words as w
from tussock.deliver.sheets_binder import Binder
from tussock.deliver.sheets_layout import (
    Block,
    Flow,
    Paper,
    Piece,
    bar,
    bold,
    facts_table,
    heading,
    para,
    share_widths,
    table,
)
from tussock.deliver.sheets_map import patch_map, short_unit
from tussock.deliver.sheets_unit import describe_cover, draw_rules, draw_unit_card
from tussock.trade.methods import METHODS

_MAP_LEAST_PT: Final = 300.0
_RECORD_ROWS: Final = 5
_BLANK_PT: Final = 24.0
_NOTE_PT: Final = 26.0
_SIGNATURES: Final = (
    "Applicator in charge, licence",
    "Signature and date",
    "Supervisor, licence",
    "Signature and date",
    "Crew present",
)
_OWN_COLUMNS: Final = frozenset({"geometry", "stems_per_acre", "stems_per_ha", "stem_count", "stem_diameter_in"})


def list_patch_blocks(binder: Binder, place: int, patch: Mapping[str, Any], paper: Paper) -> list[Block]:
    """Return the blocks of one patch's sheet, in reading order.

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
    """
    units = binder.units.get(str(patch["patch_id"]), [])
    wide = paper.inner_width
    facts = _patch_facts(binder, patch, units, wide)
    rules = _stop_rules(binder, units, wide)
    used = sum(flow.wrap(wide, paper.inner_height)[1] for flow in [facts, *rules])
    left = paper.inner_height - used - 1
    high = left if left >= _MAP_LEAST_PT else paper.inner_height - facts.wrap(wide, paper.inner_height)[1] - 1
    high = max(high, _MAP_LEAST_PT)
    blocks = [Block((facts,)), Block((patch_map(binder.site, place, wide, high, binder.system),)), Block(tuple(rules))]
    cards = [tuple(draw_unit_card(binder, patch, unit, wide)) for unit in units]
    blocks += [Block(card, new_page=number == 0) for number, card in enumerate(cards)]
    if not units:
        blocks.append(Block((para(bold("This patch has no treatment units."), " Nothing is planned here."),)))
    rules = draw_rules(binder, str(patch["patch_id"]), units, wide)
    blocks += [
        Block(tuple(flows)) for flows in (rules, _method_cautions(units), _other_ways(units), _cautions(binder.plan))
    ]
    blocks += [Block(tuple(_people(wide))), Block(tuple(_record(units, wide)))]
    return [block for block in blocks if block.flows]


def draw_notes(paper: Paper) -> list[tuple[Flow, float]]:
    """Return a page of lines for notes: it fills a sheet up to whole leaves, so that each patch is handed out alone."""
    head = heading("Notes and sketch")
    tall = head.wrap(paper.inner_width, paper.inner_height)[1]
    count = int((paper.inner_height - tall) // _NOTE_PT)
    lines = table([[""]] * count, [paper.inner_width], lines="rows", heights=[_NOTE_PT] * count)
    return [(head, 0.0), (lines, tall)]


# ---- front page


def _patch_facts(binder: Binder, patch: Mapping[str, Any], units: list[dict[str, Any]], wide: float) -> Flow:
    system = binder.system
    species = patch["species"] if w.is_known(patch["species"]) else "species not named"
    form = f" ({patch['growth_form']})" if w.is_known(patch["growth_form"]) else ""
    area, covered = (w.show_cell(patch, stem, c.AREA, system) for stem in ("area", "infested"))
    count = f"{len(units)} {'unit' if len(units) == 1 else 'units'}"
    rows: list[tuple[str, list[Piece]]] = [
        ("Target plant", [bold(species), form, f", {describe_cover(patch)}"]),
        ("Ground", [f"patch {patch['patch_id']}: {area}, of it covered {covered}; {count}"]),
        ("Planned", _describe_total(binder, patch)),
    ]
    shared = _describe_overlaps(binder, str(patch["patch_id"]))
    if shared:
        rows.append(("Shared ground", [bold(shared)]))
    notes = _describe_own_columns(binder, patch)
    if notes:
        rows.append(("Notes", [notes]))
    return facts_table(rows, wide)


def _describe_total(binder: Binder, patch: Mapping[str, Any]) -> list[Piece]:
    system = binder.system
    words = {"planned": "all of it", "partly": "in part", "none": "nothing"}
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
    return "; ".join(f"{name}: {value}" for name, value in patch.items() if name not in known and w.is_known(value))


def _products(binder: Binder, units: Iterable[Mapping[str, Any]]) -> list[Product]:
    treatments = [binder.treatments.get(str(unit["treatment_id"])) for unit in units]
    partners = {item.product for treatment in treatments if treatment is not None for item in treatment.tank_mix}
    used = partners | {str(unit["product_id"]) for unit in units}
    return [product for name, product in binder.plan.site.products.items() if name in used]


def _stop_rules(binder: Binder, units: list[dict[str, Any]], wide: float) -> list[Flow]:
    """Return stop rules and protective equipment of the products used, as the product records give them."""
    head = bar(bold("STOP RULES AND PROTECTIVE EQUIPMENT"), " (the label on the container is the law)")
    products = _products(binder, units)
    if not products:
        text = "No herbicide is planned on this patch. Gloves, eye protection, sound footing; stop when unsure."
        return [head, para(text)]
    rows = []
    for product in products:
        lines = {
            "Wind": product.wind,
            "temperature": product.temperature,
            "rain": product.rain,
            "re-entry": product.reentry,
        }
        if product.heat_limit:
            lines["heat"] = product.heat_limit
        stop = [piece for name, text in lines.items() for piece in (bold(f"{name}: "), f"{text or 'see label'}; ")]
        names = [bold(product.id), f" ({product.active}, {product.form})", *_warn_product(product), ". "]
        wear = ", ".join(product.ppe) or "see label"
        rows.append([[para(*names), para(*stop, "outside of these: stop."), para(bold("Wear: "), wear)]])
    return [head, table(rows, [wide], lines="rows", pad=(1, 4))]


def _warn_product(product: Product) -> list[Piece]:
    words: list[Piece] = []
    if product.signal_word:
        words.append(bold(f" {product.signal_word}"))
    if product.restricted_use:
        words.append(bold("; restricted use: certified applicator only"))
    if product.soil_active:
        words.append("; active in soil: keep off the roots of trees to be kept")
    if "invented" in product.source.casefold():
        words.append(bold("; invented"))
    return words


# ---- back page


def _method_cautions(units: Iterable[Mapping[str, Any]]) -> list[Flow]:
    used = [name for name in METHODS if name in {str(unit["method"]) for unit in units}]
    flows: list[Flow] = []
    for name in used:
        flows += [para(bold(f"{METHODS[name].title}: "), " ".join(METHODS[name].cautions))]
    return [heading("Care with these methods"), *flows] if flows else []


def _other_ways(units: Iterable[Mapping[str, Any]]) -> list[Flow]:
    """Return the ways without herbicide of the units planned with one; those without an option name their own."""
    ways = dict.fromkeys(
        str(unit["non_chemical"]) for unit in units if unit["status"] == "planned" and w.is_known(unit["product_id"])
    )
    texts = [para(way) for way in ways if w.is_known(way)]
    return [heading("Without herbicide"), *texts] if texts else []


def _cautions(plan: PlanTables) -> list[Flow]:
    return [heading("Before you start"), *[para(f"- {text}") for text in said.list_cautions(plan)]]


def _people(wide: float) -> list[Flow]:
    half = wide / 2
    names = [*said.BLANKS, *_SIGNATURES]
    names += [""] * (len(names) % 2)
    pairs = [(names[place], names[place + 1]) for place in range(0, len(names), 2)]
    cells = [[para(bold(left)), "", para(bold(right)), ""] for left, right in pairs]
    label = half * 0.48
    form = table(cells, [label, half - label, label, half - label], heights=[_BLANK_PT + 9] * len(cells))
    return [heading("To be filled in before work"), form]


def _record(units: list[dict[str, Any]], wide: float) -> list[Flow]:
    """Return the as-applied record, a line for each planned unit and some more."""
    names = (
        "Date",
        "From - to",
        "Unit",
        "Wind: speed, from",
        "Temp.",
        "Mix used",
        "Area treated",
        "Applicator, licence",
    )
    head = [para(bold(name)) for name in names]
    planned = [_name_unit(unit) for unit in units if unit["status"] == "planned"]
    lines = [*planned, *[""] * max(_RECORD_ROWS - len(planned), 1)]
    rows = [head, *[["", "", para(unit_id), "", "", "", "", ""] for unit_id in lines]]
    widths = share_widths(wide, [0.9, 1.0, 1.05, 1.05, 0.85, 0.9, 1.0, 1.4])
    heights = [None, *[_BLANK_PT] * len(lines)]
    return [heading("As applied"), table(rows, widths, head=True, heights=heights)]


def _name_unit(unit: Mapping[str, Any]) -> str:
    unit_id = str(unit["unit_id"])
    return unit_id if len(unit_id) <= _SHORT_ID else w.cut_text(short_unit(unit_id, str(unit["patch_id"])), _SHORT_ID)


_SHORT_ID: Final = 9
