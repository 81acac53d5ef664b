"""In: one treatment unit of a plan. Out: its card (what, how, mix, time, dates, distances), the rules of its patch."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.columns import UnitSystem
from tussock.base.records import Ruleset, Setback, Treatment
from tussock.base.text import show_length
from tussock.deliver import sheets_words as w
from tussock.deliver.sheets_binder import Binder
from tussock.deliver.sheets_ground import OPEN_LIMITED
from tussock.deliver.sheets_layout import (
    ACT_PT,
    SMALL_PT,
    Flow,
    Piece,
    bold,
    heading,
    para,
    table,
)
from tussock.deliver.sheets_map import short_unit, swatch
from tussock.trade.methods import METHODS

_SIDE_PT: Final = 80.0


def draw_cards(binder: Binder, units: Sequence[Mapping[str, Any]], wide: float) -> list[Flow]:
    """Return the cards of a patch's units: those treated alike under one head, which a new page repeats."""
    groups: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    for unit in units:
        planned = unit["status"] == "planned" and str(unit["treatment_id"]) in binder.treatments
        alike = ("treatment_id", "product_id", "carrier", "concentration_pct", "tank_mix")
        groups.setdefault(tuple(str(unit.get(name)) for name in alike) if planned else (), []).append(unit)
    return [_draw_group(binder, group, bool(key), wide) for key, group in groups.items()]


def _draw_group(binder: Binder, units: Sequence[Mapping[str, Any]], planned: bool, wide: float) -> Flow:
    rows: list[list[Any]] = [_draw_unit(binder, unit, wide) for unit in units]
    if planned:
        rows.insert(0, [_treatment_line(binder, units[0], binder.treatments[str(units[0]["treatment_id"])]), ""])
    widths = [_SIDE_PT, wide - _SIDE_PT]
    return table(rows, widths, lines="rows", head=planned, across=planned, pad=(1, 3), whole_rows=True)


def _draw_unit(binder: Binder, unit: Mapping[str, Any], wide: float) -> list[Any]:
    """Return the card of one unit: its number and hatch, and how much of what, or that it is left; why is overleaf."""
    system, look = binder.system, binder.looks[str(unit["unit_id"])]
    use = str(unit["allowed_use"]) if w.is_known(unit["allowed_use"]) else "not classed"
    use = OPEN_LIMITED if look == OPEN_LIMITED else use
    words: list[Piece] = [bold(f"Unit {unit['unit_id']}: "), w.show_cell(unit, "area", c.AREA, system)]
    treatment = binder.treatments.get(str(unit["treatment_id"]))
    if unit["status"] != "planned" or treatment is None:
        content = [para(*words, size=ACT_PT), *_leave(unit)]
    else:
        dates = w.show_dates(unit["season_from"], unit["season_to"])
        sums = _list_sums(unit, binder, treatment)
        crew = f"crew {w.show_cell(unit, 'crew', c.HOURS, system)}"
        content = [
            para(*words, ", ", bold(dates), *([] if sums else [f", {crew}"]), size=ACT_PT),
            *_mix_table(binder, unit, treatment, wide - _SIDE_PT - 8),
            *([para(*sums, crew, size=ACT_PT)] if sums else []),
            *_mind_lines(binder, unit),
            para(_dose_line(unit, system), size=SMALL_PT),
        ]
    number = para(bold(short_unit(str(unit["unit_id"]), str(unit["patch_id"]))), size=18, align=1)
    mark = table([[swatch(look, 48, 15)]], [48], lines="none", pad=(2, 1), sides=0, align="CENTER")
    return [[number, mark, para(use, size=_USE_PT, align=1)], content]


_USE_PT: Final = 8.5


def _leave(unit: Mapping[str, Any]) -> list[Flow]:
    if w.is_known(unit["area_counted_with"]):
        other = bold(f"Treat this ground with patch {unit['area_counted_with']} only. ")
        return [para(other, str(unit["reason"]), size=ACT_PT)]
    return [para(bold("NO OPTION: leave this unit untreated."), " Why: overleaf.", size=ACT_PT)]


def draw_refusals(binder: Binder, unit: Mapping[str, Any]) -> list[Flow]:
    """Return why a unit is left untreated, reason by reason, and the way without herbicide; nothing for the others."""
    planned = unit["status"] == "planned" and str(unit["treatment_id"]) in binder.treatments
    if planned or w.is_known(unit["area_counted_with"]):
        return []
    reasons = w.split_reasons(unit["reason"], binder.treatments) or [w.UNKNOWN]
    lines = [para(f"- {text}", size=SMALL_PT) for text in reasons]
    return [
        heading(f"Why unit {unit['unit_id']} is left untreated"),
        *lines,
        para(bold("Other way: "), unit["non_chemical"], size=SMALL_PT),
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


def _treatment_line(binder: Binder, unit: Mapping[str, Any], treatment: Treatment) -> Flow:
    """Return how it is done, and what the mix is made of."""
    how: list[Piece] = [bold(METHODS[treatment.method].title)]
    how += [f"; {line}" for line in w.describe_dose(treatment, binder.system)]
    if treatment.note:
        how.append(f"; {treatment.note}")
    if not w.is_known(unit["product_id"]):
        return para(*how, size=ACT_PT)
    recipe = w.read_recipe(unit, treatment)
    whole = recipe.product >= 1
    shares = ["undiluted" if whole else f"{w.figures(recipe.product * 100, 4)} % in {unit['carrier']}"]
    extras = (*recipe.partners, ("dye", recipe.dye), ("adjuvant", recipe.adjuvant))
    shares += [f"{name} {w.figures(share * 100, 4)} %" for name, share in extras if share]
    return para(*how, ". ", bold(unit["product_id"]), f" {', '.join(shares)}", size=ACT_PT)


def _list_sums(unit: Mapping[str, Any], binder: Binder, treatment: Treatment) -> list[Piece]:
    """Return what the whole unit takes: mix and product where they are not one load, time, stems, cuts."""
    system = binder.system
    pieces: list[Piece] = []
    loads = _list_loads(binder, unit, treatment)
    mix_l = w.read_si(unit, "spray", c.LIQUID, system)
    product_l = w.read_si(unit, "product", c.SMALL_LIQUID, system)
    if w.is_known(unit["product_id"]) and math.isnan(mix_l):
        pieces = [bold("amounts not known"), "; "]
    elif w.is_known(unit["product_id"]) and (len(loads) != 1 or loads[0].count > 1):
        total = bold(f"{w.show_poured(mix_l, system)} mix")
        pieces = ["in all ", total, f", {w.show_measured(product_l, system)} product; "]
    seconds = unit[f"spray_{c.SECONDS.suffix(system)}"]
    if w.is_known(seconds):
        pieces += [bold(f"nozzle open {w.show_seconds(float(seconds))}"), "; "]
    for name in ("stems", "cuts"):
        if w.is_known(unit[name]):
            pieces += [bold(f"{int(unit[name]):,} {name}"), "; "]
    return pieces


def _dose_line(unit: Mapping[str, Any], system: UnitSystem) -> str:
    """Return covered ground, dose and the part of the yearly limit, for whoever checks a unit."""
    parts = [f"covered {w.show_cell(unit, 'infested', c.AREA, system)}"]
    if w.is_known(unit["product_id"]):
        rate, mass = w.show_cell(unit, "spray", c.RATE, system), w.show_cell(unit, "ae", c.MASS, system)
        parts += [f"on it {rate}"] if rate != w.UNKNOWN else []
        parts += [f"{mass} ae"] if mass != w.UNKNOWN else []
        parts[-1] += f", {w.show_cell(unit, 'ae', c.DOSE, system)} ae"
        if w.is_known(unit["annual_limit_used_pct"]):
            parts.append(f"year's limit {w.figures(float(unit['annual_limit_used_pct']))} % used")
    return "; ".join(parts)


def _mind_lines(binder: Binder, unit: Mapping[str, Any]) -> list[Flow]:
    """Return what must not be missed on a unit: tasks, edges to flag, days lost, heat limits."""
    tasks: dict[str, None] = {}
    doubtful: dict[str, None] = {}
    unit_id = str(unit["unit_id"])
    for row in binder.distances.get(unit_id, []):
        _, setback = binder.setbacks[str(row["setback_id"])]
        if w.describe_task(setback):
            tasks[w.name_task(setback)] = None
        if row["distance_verdict"] == "within error":
            doubtful[str(row["feature"])] = None
    texts = [", ".join(tasks)] if tasks else []
    texts += [f"WITHIN ERROR of {', '.join(doubtful)}"] if doubtful else []
    checks = str(unit["check_in_field"]).split(";") if w.is_known(unit["check_in_field"]) else []
    edges = dict.fromkeys(binder.features.get((unit_id, check), check) for check in checks)
    if edges:
        texts.append("flag the real edge" + ("" if set(edges) <= set(doubtful) else f" of {', '.join(edges)}"))
    texts += [str(unit["reason"])] if w.is_known(unit["reason"]) else []
    texts += _list_other_cautions(binder, unit)
    return [para(bold("MIND "), bold("; ".join(texts)))] if texts else []


def _list_loads(binder: Binder, unit: Mapping[str, Any], treatment: Treatment) -> list[w.Load]:
    """Return the loads of a unit; none where nothing is mixed."""
    if treatment.product is None:
        return []
    capacity_l = w.find_capacity_l(binder.plan.site.operations, treatment)
    return w.list_loads(w.read_si(unit, "spray", c.LIQUID, binder.system), capacity_l, w.read_recipe(unit, treatment))


def _mix_table(binder: Binder, unit: Mapping[str, Any], treatment: Treatment, wide: float) -> list[Flow]:
    """Return what goes into each load."""
    system, recipe = binder.system, w.read_recipe(unit, treatment)
    loads = _list_loads(binder, unit, treatment)
    if not loads:
        return []
    extras = [name for name, share in (("Dye", recipe.dye), ("Adjuvant", recipe.adjuvant)) if share]
    products = _name_products(binder, unit, recipe) if recipe.partners else ["Product"]
    carrier = [str(unit["carrier"]).capitalize()] if any(load.mix.carrier_l > 0 for load in loads) else []
    names = ["Load of mix", *products, *extras, *carrier]
    rows: list[list[Any]] = [[para(bold(name), size=SMALL_PT) for name in names]]
    for load in loads:
        amounts = {"Dye": load.mix.dye_l, "Adjuvant": load.mix.adjuvant_l}
        total_l = load.mix.total_l + sum(load.partners_l)
        label = f"{load.count} full loads" if load.count > 1 else load.label
        poured = [load.mix.product_l, *load.partners_l]
        others = [*[amounts[name] for name in extras], *[load.mix.carrier_l for _ in carrier]]
        rows.append(
            [
                para(bold(label), f": {w.show_poured(total_l, system)}"),
                *[para(bold(w.show_measured(size, system)), size=ACT_PT) for size in poured],
                *[para(w.show_poured(size, system)) for size in others],
            ]
        )
    few = len(extras) + len(carrier)
    widths = [_FIRST_PT, *[_PRODUCT_PT] * len(products)]
    left = wide - sum(widths)
    if left < few * _OTHER_PT:
        widths, left = [], wide
        few = len(names)
    return [table(rows, [*widths, *[left / max(few, 1)] * few], head=True, pad=(0.5, 2), sides=3)]


_FIRST_PT: Final = 127.0
_PRODUCT_PT: Final = 144.0
_OTHER_PT: Final = 58.0


def _name_products(binder: Binder, unit: Mapping[str, Any], recipe: w.Recipe) -> list[str]:
    """Return short names of the products in a tank: their actives where these differ."""
    ids = [str(unit["product_id"]), *(name for name, _ in recipe.partners)]
    actives = [binder.plan.site.products[name].active for name in ids]
    return actives if len(set(actives)) == len(ids) else ids


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
    """Return each rule in force somewhere in a patch once: distance, what it means, which units, how near."""
    found: dict[str, dict[str, None]] = {}
    places: dict[str, dict[str, None]] = {}
    error_m = 0.0
    for unit in units:
        name = short_unit(str(unit["unit_id"]), patch_id)
        for row in binder.distances.get(str(unit["unit_id"]), []):
            error_m = max(error_m, w.read_si(row, "error", c.LENGTH, binder.system))
            doubt = " WITHIN ERROR" if row["distance_verdict"] == "within error" else ""
            found.setdefault(str(row["setback_id"]), {})[f"{name}{doubt}"] = None
            where = w.describe_place(row, binder.system)
            if not where.startswith("holds on"):
                places.setdefault(where, {})[name] = None
    if not found:
        return [para(bold("Setbacks: "), "none of the loaded rules is in force on this patch.")]
    rows: list[list[Any]] = []
    for setback_id in [name for name in binder.setbacks if name in found]:
        ruleset, setback = binder.setbacks[setback_id]
        names = list(found[setback_id])
        doubtful = any(name.endswith("ERROR") for name in names)
        on = "all units" if len(names) == len(units) and not doubtful else f"unit {', '.join(names)}"
        rule = [bold(setback_id), f", {describe_reach(setback, binder.system)}: "]
        rows.append([para(*rule, *describe_rule(binder, ruleset, setback), ": ", bold(on), size=SMALL_PT)])
    form = table(rows, [wide], lines="rows", pad=(0.5, 2))
    return [heading("Rules in force on this patch"), form, *_describe_places(places, error_m, binder.system)]


def _describe_places(places: Mapping[str, Iterable[str]], error_m: float, system: UnitSystem) -> list[Flow]:
    """Return how near which units are: "01, 02 on pond P7; 03 42.3 ft from pond P7", and how sure that is."""
    pieces: list[Piece] = []
    for place, names in places.items():
        pieces += ["; " if pieces else "", bold(", ".join(names)), f" {place}"]
    if pieces and error_m > 0:
        pieces.append(f"; less the mapping error, {show_length(error_m, system)} at most: within it counts as inside")
    return [para(bold("Distances: "), *pieces, ".", size=SMALL_PT)] if pieces else []


def describe_reach(setback: Setback, system: UnitSystem) -> str:
    """Return the distance of a rule."""
    if setback.distance_m is not None:
        reach = f"{w.figures(setback.distance_m / c.LENGTH.size(system), 4)} {c.LENGTH.suffix(system)}"
        return f"{reach} along the slope" if setback.measure == "slope" else reach
    return "whole site" if setback.distance == "anywhere" else "distance by feature"


def describe_rule(binder: Binder, ruleset: Ruleset, setback: Setback) -> list[Piece]:
    """Return what a rule forbids or asks for, with its months, conditions and datum."""
    forbids = setback.forbids is not None
    pieces: list[Piece] = [
        w.describe_ban(binder.forbidden.get(setback.id, "")) if forbids else w.describe_task(setback)
    ]
    if setback.unless_surveyed:
        pieces.append(bold(", unless a survey lifts it"))
    if setback.season:
        pieces.append(f", from {' to '.join(setback.season)} (month-day)")
    pieces += [f"; {condition}" for condition in setback.conditions]
    if setback.datum:
        pieces.append(f"; runs from {setback.datum}")
    return [*pieces, bold("; DRAFT rule set, not checked")] if ruleset.ruleset.status == "draft" else pieces
