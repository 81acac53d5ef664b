"""In: one treatment unit of a plan. Out: its card (what, how, mix, time, dates, distances), the rules of its patch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.columns import UnitSystem
from tussock.base.records import Ruleset, Setback, Treatment
from tussock.base.text import show_length
from tussock.deliver import sheets_words as w
from tussock.deliver.sheets_binder import Binder
from tussock.deliver.sheets_ground import OPEN_LIMITED
from tussock.deliver.sheets_layout import (
    Flow,
    Piece,
    bar,
    bold,
    facts_table,
    heading,
    para,
    share_widths,
    table,
)
from tussock.deliver.sheets_map import short_unit, swatch
from tussock.trade.methods import METHODS

Rows = list[tuple[str, Any]]

_LABEL_PT: Final = 96.0


def draw_unit_card(binder: Binder, patch: Mapping[str, Any], unit: Mapping[str, Any], wide: float) -> list[Flow]:
    """Return the card of one unit: what to do and how much of it, or why it is left."""
    planned = unit["status"] == "planned"
    use = str(unit["allowed_use"]) if w.is_known(unit["allowed_use"]) else "not classed"
    words: list[Piece] = [bold(f"Unit {unit['unit_id']}"), f": {w.show_cell(unit, 'area', c.AREA, binder.system)}"]
    rows: Rows = [("Allowed use", _use_cell(binder.looks[str(unit["unit_id"])], use, wide - _LABEL_PT))]
    treatment = binder.treatments.get(str(unit["treatment_id"]))
    if not planned or treatment is None:
        rows += _refusal_rows(binder, unit) + _distance_rows(binder, unit)
        return [bar(*words, size=13), facts_table(rows, wide, _LABEL_PT)]
    first, last = (w.show_date(str(unit[name])) for name in ("season_from", "season_to"))
    words.append(f", {first} to {last}" if w.is_known(first) else ", no dates")
    rows += _treatment_rows(binder, patch, unit, treatment)
    below = _distance_rows(binder, unit)
    mind = [str(unit["reason"])] if w.is_known(unit["reason"]) else []
    mind += _list_other_cautions(binder, unit)
    if mind:
        below.append(("Mind", [para(bold(text)) for text in mind]))
    mix = _mix_table(binder, unit, treatment, wide)
    if not mix:
        return [bar(*words, size=13), facts_table(rows + below, wide, _LABEL_PT)]
    return [bar(*words, size=13), facts_table(rows, wide, _LABEL_PT), *mix, facts_table(below, wide, _LABEL_PT)]


def _use_cell(look: str, words: str, wide: float) -> Flow:
    words = OPEN_LIMITED if look == OPEN_LIMITED else words
    return table([[swatch(look, 40, 13), para(bold(words))]], [50, wide - 58], lines="none", pad=(0, 0))


def _refusal_rows(binder: Binder, unit: Mapping[str, Any]) -> Rows:
    if w.is_known(unit["area_counted_with"]):
        return [
            (
                "Not here",
                [bold(f"Treat this ground with patch {unit['area_counted_with']} only. "), str(unit["reason"])],
            )
        ]
    lines = [para(text) for text in w.split_reasons(unit["reason"], binder.treatments)] or [para(w.UNKNOWN)]
    return [
        ("Leave", [bold("NO OPTION: leave this unit untreated.")]),
        ("Why", lines),
        ("Other way", [unit["non_chemical"]]),
    ]


def describe_cover(patch: Mapping[str, Any]) -> str:
    """Return the cover of a patch, with its range."""
    if not w.is_known(patch["cover_pct"]):
        return "cover not known: amounts that follow from it stay blank, judge it on site"
    text = f"cover {w.figures(float(patch['cover_pct']))} %"
    low, high = patch["cover_low_pct"], patch["cover_high_pct"]
    if w.is_known(low) and w.is_known(high) and low != high:
        text += f" ({w.figures(float(low))} to {w.figures(float(high))} %)"
    return text


def _treatment_rows(binder: Binder, patch: Mapping[str, Any], unit: Mapping[str, Any], treatment: Treatment) -> Rows:
    system = binder.system
    method = METHODS[treatment.method]
    covered = w.show_cell(unit, "infested", c.AREA, system)
    how: list[Piece] = [bold(method.title), *[f"; {line}" for line in w.describe_dose(treatment, system)]]
    if treatment.note:
        how.append(f"; {treatment.note}")
    rows: Rows = [
        ("Treat", [bold(patch["species"]), f", {describe_cover(patch)}; covered here: {covered}"]),
        ("How", [*how, f" [{treatment.id}]"]),
    ]
    if w.is_known(unit["product_id"]):
        rows += _product_rows(binder, unit, treatment)
    rows.append(("Time", _describe_time(unit, system)))
    return rows


def _product_rows(binder: Binder, unit: Mapping[str, Any], treatment: Treatment) -> Rows:
    system = binder.system
    product = binder.plan.site.products[str(unit["product_id"])]
    recipe = w.read_recipe(unit, treatment)
    shares = [f"{w.figures(recipe.product * 100, 4)} % in {unit['carrier']}"]
    extras = (*recipe.partners, ("dye", recipe.dye), ("adjuvant", recipe.adjuvant))
    shares += [f"{name} {w.figures(share * 100, 4)} %" for name, share in extras if share]
    label = "aquatic label" if product.aquatic_label else "no aquatic label"
    mix_l = w.read_si(unit, "spray", c.LIQUID, system)
    product_l = w.read_si(unit, "product", c.SMALL_LIQUID, system)
    amount: list[Piece] = [
        bold(f"{w.show_volume(mix_l, system)} mix"),
        f", {w.show_volume(product_l, system)} product, {w.show_cell(unit, 'ae', c.MASS, system)} ae",
    ]
    rate = w.show_cell(unit, "spray", c.RATE, system)
    dose = f"{rate} on covered ground, " if rate != w.UNKNOWN else ""
    dose += f"{w.show_cell(unit, 'ae', c.DOSE, system)} ae"
    if w.is_known(unit["annual_limit_used_pct"]):
        dose += f"; year's limit {w.figures(float(unit['annual_limit_used_pct']))} % used"
    form = f" ({product.active}, {product.form}, {label}): "
    return [("Mix", [bold(product.id), form, ", ".join(shares)]), ("Amount", amount), ("Dose", [dose])]


def _describe_time(unit: Mapping[str, Any], system: UnitSystem) -> list[Piece]:
    pieces: list[Piece] = []
    seconds = unit[f"spray_{c.SECONDS.suffix(system)}"]
    if w.is_known(seconds):
        pieces += [bold(f"nozzle open {w.show_seconds(float(seconds))}"), "; "]
    for name in ("stems", "cuts"):
        if w.is_known(unit[name]):
            pieces += [bold(f"{int(unit[name]):,} {name}"), "; "]
    return [*pieces, f"crew {w.show_cell(unit, 'crew', c.HOURS, system)} (all persons)"]


def _mix_table(binder: Binder, unit: Mapping[str, Any], treatment: Treatment, wide: float) -> list[Flow]:
    """Return what goes into each load."""
    system = binder.system
    capacity_l = w.find_capacity_l(binder.plan.site.operations, treatment)
    recipe = w.read_recipe(unit, treatment)
    loads = w.list_loads(w.read_si(unit, "spray", c.LIQUID, system), capacity_l, recipe)
    if treatment.product is None or not loads:
        return []
    extras = [name for name, share in (("Dye", recipe.dye), ("Adjuvant", recipe.adjuvant)) if share]
    products = _name_products(binder, unit, recipe) if recipe.partners else ["Product"]
    names = ["Load", "Mix", *products, *extras, str(unit["carrier"]).capitalize()]
    rows: list[list[Any]] = [[para(bold(name)) for name in names]]
    for load in loads:
        amounts = {"Dye": load.mix.dye_l, "Adjuvant": load.mix.adjuvant_l}
        poured = [load.mix.product_l, *load.partners_l]
        total_l = load.mix.total_l + sum(load.partners_l)
        sizes = [total_l, *poured, *[amounts[name] for name in extras], load.mix.carrier_l]
        cells = [_volume_cell(size, system, strong=0 < place <= len(poured)) for place, size in enumerate(sizes)]
        rows.append([para(bold(f"{load.label}, {load.count} times" if load.count > 1 else load.label)), *cells])
    return [table(rows, share_widths(wide, [1.15, *[1.0] * (len(names) - 1)]), head=True, pad=(1, 3))]


def _name_products(binder: Binder, unit: Mapping[str, Any], recipe: w.Recipe) -> list[str]:
    """Return short names of the products in a tank: their actives where these differ."""
    ids = [str(unit["product_id"]), *(name for name, _ in recipe.partners)]
    actives = [binder.plan.site.products[name].active for name in ids]
    return actives if len(set(actives)) == len(ids) else ids


def _volume_cell(size_l: float, system: UnitSystem, *, strong: bool) -> list[Flow]:
    """Return a volume, with millilitres on a line of their own."""
    lines = w.show_volume(size_l, system).rstrip(")").split(" (")
    return [para(bold(line) if strong else line) for line in lines]


def _distance_rows(binder: Binder, unit: Mapping[str, Any]) -> Rows:
    """Return the setbacks in force by distance and feature, the tasks, and what to check."""
    limits: dict[str, list[Piece]] = {}
    tasks: dict[str, list[Piece]] = {}
    for row in binder.distances.get(str(unit["unit_id"]), []):
        _, setback = binder.setbacks[str(row["setback_id"])]
        where = w.describe_place(row, binder.system)
        pieces = (limits if setback.forbids is not None else tasks).setdefault(where, [where, ": "])
        name = setback.id if setback.forbids is not None else f"{w.name_task(setback)} ({setback.id})"
        doubt = [bold(" WITHIN ERROR")] if row["distance_verdict"] == "within error" else []
        pieces += [*([", "] if len(pieces) > _HEAD_PIECES else []), bold(name), *doubt]
    none: list[Piece] = ["none of the loaded rules"]
    rows: Rows = [("Setbacks", [para(*pieces) for pieces in limits.values()] if limits else none)]
    if tasks:
        rows.append(("To do", [para(*pieces) for pieces in tasks.values()]))
    if w.is_known(unit["check_in_field"]):
        names = ", ".join(str(unit["check_in_field"]).split(";"))
        rows.append(("Check on site", [bold("flag the real edge"), f" for {names}"]))
    return rows


_HEAD_PIECES: Final = 2


def _list_other_cautions(binder: Binder, unit: Mapping[str, Any]) -> list[str]:
    """Return the cautions of a unit that no rule of the patch says already: heat limits and the like."""
    text = str(unit["cautions"]) if w.is_known(unit["cautions"]) else ""
    for row in binder.distances.get(str(unit["unit_id"]), []):
        _, setback = binder.setbacks[str(row["setback_id"])]
        known = [f"condition ({setback.id}): {condition}" for condition in setback.conditions]
        known += [f"permit ({setback.id}): {setback.permit}", f"notify ({setback.id}): {setback.notify}"]
        for words in (*known, f"no mixing or filling here ({setback.id})"):
            text = text.replace(words, "", 1)
    parts = (item.strip("; ") for item in text.split("; "))
    return [part for part in parts if part and not part.startswith("treat within ")]  # that stands with the method


# ---- the rules of a patch


def draw_rules(binder: Binder, patch_id: str, units: Sequence[Mapping[str, Any]], wide: float) -> list[Flow]:
    """Return each rule in force somewhere in a patch once: distance, what it means, on which units."""
    found: dict[str, list[str]] = {}
    error_m = 0.0
    for unit in units:
        for row in binder.distances.get(str(unit["unit_id"]), []):
            error_m = max(error_m, w.read_si(row, "error", c.LENGTH, binder.system))
            found.setdefault(str(row["setback_id"]), []).append(short_unit(str(unit["unit_id"]), patch_id))
    if not found:
        return []
    rows: list[list[Any]] = [[para(bold(name)) for name in ("Rule, distance", "What it means here", "Units")]]
    for setback_id in [name for name in binder.setbacks if name in found]:
        ruleset, setback = binder.setbacks[setback_id]
        names = list(dict.fromkeys(found[setback_id]))
        every = "all" if len(names) == len(units) else ", ".join(names)
        distance = f", {_describe_reach(setback, binder.system)}"
        rows.append([para(bold(setback_id), distance), para(*_explain(binder, ruleset, setback)), para(every)])
    text = (
        f"Distances carry the mapping error of both outlines, {show_length(error_m, binder.system)} at most; what lies "
        "within it was taken as inside. Check on site: within that error, or resting on an assumed width of water."
    )
    form = table(rows, share_widths(wide, [2.6, 4.0, 0.9]), head=True)
    return [heading("Rules in force on this patch"), form, *([para(text)] if error_m > 0 else [])]


def _describe_reach(setback: Setback, system: UnitSystem) -> str:
    if setback.distance_m is not None:
        reach = f"{w.figures(setback.distance_m / c.LENGTH.size(system), 4)} {c.LENGTH.suffix(system)}"
        return f"{reach} along the slope" if setback.measure == "slope" else reach
    return "whole site" if setback.distance == "anywhere" else "distance by feature"


def _explain(binder: Binder, ruleset: Ruleset, setback: Setback) -> list[Piece]:
    forbids = setback.forbids is not None
    pieces: list[Piece] = [f"No {binder.forbidden.get(setback.id, '')}" if forbids else w.describe_task(setback)]
    if setback.unless_surveyed:
        pieces.append(bold(", unless a survey lifts it"))
    if setback.season:
        pieces.append(f", from {' to '.join(setback.season)} (month-day)")
    pieces += [f"; {condition}" for condition in setback.conditions]
    if setback.datum:
        pieces.append(f"; runs from {setback.datum}")
    return [*pieces, bold("; DRAFT rule set, not checked")] if ruleset.ruleset.status == "draft" else pieces
