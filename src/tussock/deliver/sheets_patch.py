"""In: one patch of a plan. Out: the blocks of its sheet: map, stop rules, a card for each unit, cautions, blanks, record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

from tussock.base import columns as c
from tussock.base.columns import UnitSystem
from tussock.base.records import Product, Ruleset, Setback, Treatment
from tussock.base.stages import PlanTables
from tussock.deliver import cautions as said
from tussock.deliver import sheets_words as w
from tussock.deliver.sheets_ground import SiteMap
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
from tussock.deliver.sheets_map import patch_map, swatch
from tussock.trade.methods import METHODS

if TYPE_CHECKING:
    import pandas as pd

_MAP_LEAST_PT: Final = 330.0
_RECORD_ROWS: Final = 5
_BLANK_PT: Final = 25.0
_SIGNATURES: Final = (
    "Applicator in charge, licence",
    "Signature and date",
    "Supervisor, licence",
    "Signature and date",
    "Crew present",
)
_OWN_COLUMNS: Final = frozenset({"geometry", "stems_per_acre", "stems_per_ha", "stem_count", "stem_diameter_in"})


@dataclass(frozen=True)
class Binder:
    """A plan with the look-ups that the sheets need: made once, used for every patch."""

    plan: PlanTables
    site: SiteMap

    @property
    def system(self) -> UnitSystem:
        """Units of the sheets."""
        return self.plan.site.options.units

    @cached_property
    def units(self) -> Mapping[str, list[dict[str, Any]]]:
        """Rows of the units, by patch."""
        return _group(self.plan.units.drop(columns="geometry"), "patch_id")

    @cached_property
    def distances(self) -> Mapping[str, list[dict[str, Any]]]:
        """Rows of the setbacks in force, by unit."""
        table = self.plan.compliance
        return _group(table[table["distance_verdict"] != "clear"], "unit_id")

    @cached_property
    def setbacks(self) -> Mapping[str, tuple[Ruleset, Setback]]:
        """Rules by id."""
        return {setback.id: (ruleset, setback) for ruleset, setback in self.plan.site.setbacks()}

    @cached_property
    def forbidden(self) -> Mapping[str, str]:
        """What each rule forbids, in words."""
        zones = self.plan.setback_zones
        return dict(zip(zones["setback_id"].astype(str), zones["forbids"].fillna("").astype(str), strict=True))

    @cached_property
    def treatments(self) -> Mapping[str, Treatment]:
        """Treatments by id."""
        return {item.id: item for item in self.plan.site.treatments or ()}


def _group(table: pd.DataFrame, key: str) -> dict[str, list[dict[str, Any]]]:
    grouped: dict[str, list[dict[str, Any]]] = {}
    for row in table.to_dict("records"):
        grouped.setdefault(str(row[key]), []).append({str(name): value for name, value in row.items()})
    return grouped


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
    left = paper.inner_height - used
    high = left if left >= _MAP_LEAST_PT else paper.inner_height - facts.wrap(wide, paper.inner_height)[1]
    high = max(high, _MAP_LEAST_PT)
    blocks = [Block((facts,)), Block((patch_map(binder.site, place, wide, high, binder.system),)), Block(tuple(rules))]
    blocks += [Block(tuple(_unit_card(binder, patch, unit, wide)), new_page=number == 0) for number, unit in enumerate(units)]
    if not units:
        blocks.append(Block((para(bold("This patch has no treatment units."), " Nothing is planned here."),)))
    blocks += [Block(tuple(flows)) for flows in (_method_cautions(binder, units), _cautions(binder.plan))]
    blocks += [Block(tuple(_people(wide))), Block(tuple(_record(units, wide)))]
    return [block for block in blocks if block.flows]


# ---- front page


def _patch_facts(binder: Binder, patch: Mapping[str, Any], units: list[dict[str, Any]], wide: float) -> Flow:
    system = binder.system
    species = patch["species"] if w.is_known(patch["species"]) else "species not named"
    form = f" ({patch['growth_form']})" if w.is_known(patch["growth_form"]) else ""
    rows: list[tuple[str, list[Piece]]] = [
        ("Target plant", [bold(species), form, f", {describe_cover(patch)}"]),
        (
            "Ground",
            [
                f"patch {patch['patch_id']}: {w.show_cell(patch, 'area', c.AREA, system)}, of it covered "
                f"{w.show_cell(patch, 'infested', c.AREA, system)}; {len(units)} units"
            ],
        ),
        ("Planned", _describe_total(binder, patch)),
    ]
    shared = _describe_overlaps(binder, str(patch["patch_id"]))
    if shared:
        rows.append(("Shared ground", [bold(shared)]))
    notes = _describe_own_columns(binder, patch)
    if notes:
        rows.append(("From the mapper", [notes]))
    return facts_table(rows, wide)


def describe_cover(patch: Mapping[str, Any]) -> str:
    """Return the cover of a patch, with its range."""
    if not w.is_known(patch["cover_pct"]):
        return "cover not known: amounts that follow from it stay blank, judge it on site"
    text = f"cover {w.figures(float(patch['cover_pct']))} %"
    low, high = patch["cover_low_pct"], patch["cover_high_pct"]
    if w.is_known(low) and w.is_known(high) and low != high:
        text += f" ({w.figures(float(low))} to {w.figures(float(high))} %)"
    return text


def _describe_total(binder: Binder, patch: Mapping[str, Any]) -> list[Piece]:
    system = binder.system
    words = {"planned": "all of it", "partly": "in part", "none": "nothing"}
    return [
        bold(words.get(str(patch["status"]), str(patch["status"]))),
        f"; mix {w.show_cell(patch, 'spray', c.LIQUID, system)}, product {w.show_cell(patch, 'product', c.LIQUID, system)}, "
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
    used = {str(unit["product_id"]) for unit in units}
    return [product for name, product in binder.plan.site.products.items() if name in used]


def _stop_rules(binder: Binder, units: list[dict[str, Any]], wide: float) -> list[Flow]:
    """Return stop rules and protective equipment of the products used, as the product records give them."""
    head = bar(bold("STOP RULES AND PROTECTIVE EQUIPMENT"), " (the label on the container is the law)")
    products = _products(binder, units)
    if not products:
        text = "No herbicide is planned on this patch. Gloves, eye protection, sound footing; stop when unsure."
        return [head, para(text)]
    flows: list[Flow] = [head]
    for product in products:
        lines = {"Wind": product.wind, "Temperature": product.temperature, "Rain": product.rain, "Re-entry": product.reentry}
        stop = [piece for name, text in lines.items() for piece in (bold(f"{name}: "), f"{text or 'see label'}; ")]
        flows.append(
            table(
                [
                    [para(bold(product.id), f" ({product.active}, {product.form})", *_warn_product(product))],
                    [para(*stop, "outside of these: stop.")],
                    [para(bold("Wear: "), ", ".join(product.ppe) or "see label")],
                ],
                [wide],
                lines="rows",
            )
        )
    return flows


def _warn_product(product: Product) -> list[Piece]:
    words: list[Piece] = []
    if product.signal_word:
        words.append(bold(f" {product.signal_word}"))
    if product.restricted_use:
        words.append(bold("; restricted use: certified applicator only"))
    if product.soil_active:
        words.append("; active in soil: keep off the roots of trees to be kept")
    if "invented" in product.source.casefold():
        words.append(bold("; invented for demonstration"))
    return words


# ---- one unit


def _unit_card(binder: Binder, patch: Mapping[str, Any], unit: Mapping[str, Any], wide: float) -> list[Flow]:
    system = binder.system
    title = bar(bold(f"Unit {unit['unit_id']}"), f"   {w.show_cell(unit, 'area', c.AREA, system)}", size=13)
    look = str(unit["allowed_use"]) if unit["status"] == "planned" else "no option"
    words = str(unit["allowed_use"]) if w.is_known(unit["allowed_use"]) else "not classed"
    use: list[tuple[str, Any]] = [("Rules leave", _use_cell(look, words, wide - 108))]
    treatment = binder.treatments.get(str(unit["treatment_id"]))
    if unit["status"] != "planned" or treatment is None:
        return [title, facts_table([*use, *_refusal_rows(binder, unit)], wide)]
    rows = [*use, *_treatment_rows(binder, patch, unit, treatment)]
    return [title, facts_table(rows, wide), *_mix_table(binder, unit, treatment, wide), facts_table(_rule_rows(binder, unit), wide)]


def _use_cell(look: str, words: str, wide: float) -> Flow:
    return table([[swatch(look, 40, 13), para(bold(words))]], [50, wide - 58], lines="none", pad=(0, 0))


def _refusal_rows(binder: Binder, unit: Mapping[str, Any]) -> list[tuple[str, list[Piece]]]:
    if w.is_known(unit["area_counted_with"]):
        first = [bold(f"Treat this ground with patch {unit['area_counted_with']} only. "), str(unit["reason"])]
        return [("Not here", first), *_rule_rows(binder, unit, reason=False)]
    return [
        ("Leave", [bold("NO OPTION: leave this unit untreated.")]),
        ("Why", [str(unit["reason"])]),
        ("Without herbicide", [str(unit["non_chemical"])]),
        *_rule_rows(binder, unit, reason=False),
    ]


def _treatment_rows(
    binder: Binder, patch: Mapping[str, Any], unit: Mapping[str, Any], treatment: Treatment
) -> list[tuple[str, list[Piece]]]:
    system = binder.system
    method = METHODS[treatment.method]
    rows: list[tuple[str, list[Piece]]] = [
        (
            "Treat",
            [bold(patch["species"]), f", {describe_cover(patch)}: {w.show_cell(unit, 'infested', c.AREA, system)} of this unit"],
        ),
        ("How", [bold(method.title), f" ({treatment.id})", *[f"; {line}" for line in w.describe_dose(treatment, system)]]),
    ]
    if treatment.note:
        rows.append(("Note", [treatment.note]))
    if w.is_known(unit["product_id"]):
        rows += _product_rows(binder, unit, treatment)
    rows.append(("Time", _describe_time(unit, system)))
    first, last = (w.show_date(str(unit[name])) for name in ("season_from", "season_to"))
    rows.append(("Dates", [bold(f"{first} to {last}") if first else "no window given"]))
    return rows


def _product_rows(binder: Binder, unit: Mapping[str, Any], treatment: Treatment) -> list[tuple[str, list[Piece]]]:
    system = binder.system
    product = binder.plan.site.products[str(unit["product_id"])]
    shares = [f"{w.figures(float(unit['concentration_pct']), 4)} % product in {unit['carrier']}"]
    shares += [f"{name} {w.figures(share * 100, 4)} %" for name, share in (("dye", treatment.dye), ("adjuvant", treatment.adjuvant)) if share]
    label = "aquatic label" if product.aquatic_label else "no aquatic label"
    mix_l = w.read_si(unit, "spray", c.LIQUID, system)
    product_l = w.read_si(unit, "product", c.SMALL_LIQUID, system)
    amount: list[Piece] = [
        bold(f"{w.show_volume(mix_l, system)} of mix"),
        f" ({w.show_cell(unit, 'spray', c.RATE, system)} on covered ground), in it {w.show_volume(product_l, system)} "
        f"product = {w.show_cell(unit, 'ae', c.MASS, system)} ae",
    ]
    dose = [f"{w.show_cell(unit, 'ae', c.DOSE, system)} ae on the treated ground"]
    if w.is_known(unit["annual_limit_used_pct"]):
        dose.append(f"; {w.figures(float(unit['annual_limit_used_pct']))} % of the yearly limit used, with earlier work")
    return [
        ("Product", [bold(product.id), f" ({product.active}, {product.form}, {label})"]),
        ("Mix", [", ".join(shares)]),
        ("Amount", amount),
        ("Dose", dose),
    ]


def _describe_time(unit: Mapping[str, Any], system: UnitSystem) -> list[Piece]:
    pieces: list[Piece] = []
    seconds = unit[f"spray_{c.SECONDS.suffix(system)}"]
    if w.is_known(seconds):
        pieces += [bold(f"nozzle open {w.show_seconds(float(seconds))}"), "; "]
    for name, word in (("stems", "stems"), ("cuts", "cuts")):
        if w.is_known(unit[name]):
            pieces += [bold(f"{int(unit[name]):,} {word}"), "; "]
    return [*pieces, f"crew {w.show_cell(unit, 'crew', c.HOURS, system)} (all persons)"]


def _mix_table(binder: Binder, unit: Mapping[str, Any], treatment: Treatment, wide: float) -> list[Flow]:
    """Return what goes into each load."""
    system = binder.system
    capacity_l = w.find_capacity_l(binder.plan.site.operations, treatment)
    loads = w.list_loads(w.read_si(unit, "spray", c.LIQUID, system), capacity_l, treatment)
    if treatment.product is None or not loads:
        return []
    names = ["Load", "Mix", "Product", *(["Dye"] if treatment.dye else []), *(["Adjuvant"] if treatment.adjuvant else [])]
    carrier = str(unit["carrier"]).capitalize()
    rows: list[list[Any]] = [[para(bold(name)) for name in (*names, carrier)]]
    for load in loads:
        parts = [load.mix.total_l, load.mix.product_l]
        parts += [load.mix.dye_l] * bool(treatment.dye) + [load.mix.adjuvant_l] * bool(treatment.adjuvant)
        label = f"{load.label}, {load.count} times" if load.count > 1 else load.label
        cells = [w.show_volume(size_l, system) for size_l in (*parts, load.mix.carrier_l)]
        rows.append([para(bold(label)), para(cells[0]), para(bold(cells[1])), *[para(cell) for cell in cells[2:]]])
    widths = share_widths(wide, [1.15, *[1.0] * (len(rows[0]) - 1)])
    return [table(rows, widths, head=True)]


def _rule_rows(binder: Binder, unit: Mapping[str, Any], *, reason: bool = True) -> list[tuple[str, Any]]:
    """Return setbacks in force, tasks, conditions and checks of a unit."""
    limits, tasks = [], []
    for row in binder.distances.get(str(unit["unit_id"]), []):
        ruleset, setback = binder.setbacks[str(row["setback_id"])]
        (limits if setback.forbids is not None else tasks).append(_describe_rule(binder, row, ruleset, setback))
        tasks += [[f"{setback.id}: {condition}"] for condition in setback.conditions]
    rows: list[tuple[str, Any]] = [("Setbacks in force", _lines(limits) if limits else ["none of the loaded rules"])]
    if tasks:
        rows.append(("Before and during work", _lines(tasks)))
    if w.is_known(unit["check_in_field"]):
        names = ", ".join(str(unit["check_in_field"]).split(";"))
        rows.append(("Check in the field", [bold(f"Flag the real edge: {names}"), " (within the mapping error, or an assumed width)"]))
    if reason and w.is_known(unit["reason"]):
        rows.append(("Mind", [str(unit["reason"])]))
    if reason and unit["delivery"] != "none":
        rows.append(("Without herbicide", [str(unit["non_chemical"])]))
    return rows


def _lines(items: Iterable[list[Piece]]) -> Flow:
    unique: dict[str, list[Piece]] = {str(item): item for item in items}
    return [para(*item) for item in unique.values()]


def _describe_rule(binder: Binder, row: Mapping[str, Any], ruleset: Ruleset, setback: Setback) -> list[Piece]:
    draft = [bold(" [DRAFT rule set]")] if ruleset.ruleset.status == "draft" else []
    where = w.describe_distance(row, binder.system)
    sure = [bold(" WITHIN ERROR, taken as inside")] if row["distance_verdict"] == "within error" else []
    task = w.describe_task(setback)
    if task:
        return [bold(setback.id), f": {task} ({where})", *sure, *draft]
    season = f", in force {' to '.join(setback.season)}" if setback.season else ""
    return [bold(setback.id), f": {where}; no {binder.forbidden.get(setback.id, '')}{season}", *sure, *draft]


# ---- back page


def _method_cautions(binder: Binder, units: Iterable[Mapping[str, Any]]) -> list[Flow]:
    used = [name for name in METHODS if name in {str(unit["method"]) for unit in units}]
    flows: list[Flow] = []
    for name in used:
        flows += [para(bold(f"{METHODS[name].title}: "), " ".join(METHODS[name].cautions))]
    return [heading("Care with these methods"), *flows] if flows else []


def _cautions(plan: PlanTables) -> list[Flow]:
    return [heading("Before you start"), *[para(f"- {text}") for text in said.list_cautions(plan)]]


def _people(wide: float) -> list[Flow]:
    half = wide / 2
    names = [*said.BLANKS, *_SIGNATURES]
    names += [""] * (len(names) % 2)
    pairs = [(names[place], names[place + 1]) for place in range(0, len(names), 2)]
    cells = [[para(bold(left)), "", para(bold(right)), ""] for left, right in pairs]
    label = half * 0.48
    form = table(cells, [label, half - label, label, half - label], heights=[_BLANK_PT + 11] * len(cells))
    return [heading("To be filled in before work"), form]


def _record(units: list[dict[str, Any]], wide: float) -> list[Flow]:
    """Return the as-applied record, a line for each planned unit and some more."""
    names = ("Date", "From - to", "Unit", "Wind: speed, from", "Temp.", "Mix used", "Area treated", "Applicator, licence")
    head = [para(bold(name)) for name in names]
    planned = [str(unit["unit_id"]) for unit in units if unit["status"] == "planned"]
    lines = [*planned, *[""] * max(_RECORD_ROWS - len(planned), 1)]
    rows = [head, *[["", "", para(unit_id), "", "", "", "", ""] for unit_id in lines]]
    widths = share_widths(wide, [0.9, 1.0, 1.05, 1.05, 0.85, 0.9, 1.0, 1.4])
    heights = [None, *[None if len(unit_id) > _SHORT_ID else _BLANK_PT for unit_id in lines]]
    return [heading("As applied"), table(rows, widths, head=True, heights=heights)]


_SHORT_ID: Final = 9
