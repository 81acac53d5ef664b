"""In: one treatment unit of a plan. Out: its card (what, how, mix, time, dates, distances), the rules of its patch."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.columns import UnitSystem
from tussock.base.records import LOOK, Ruleset, Setback, Treatment
from tussock.base.text import show_length, show_runs
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
    measure,
    para,
    table,
)
from tussock.deliver.sheets_map import short_unit, swatch
from tussock.trade.methods import METHODS
from tussock.wording.rules import UNLESS_SURVEYED, describe_ban, describe_season, describe_task, name_task

_SIDE_PT: Final = 80.0


def draw_cards(binder: Binder, units: Sequence[Mapping[str, Any]], wide: float, *, compact: bool = False) -> list[Flow]:
    """Return the cards of a patch's units: those treated alike under one head, which a new page repeats.

    ``compact`` says in that head, once, what holds for all units under it: dates, what to mind, column names.
    """
    groups: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    for unit in units:
        alike = ("treatment_id", "product_id", "carrier", "concentration_pct", "tank_mix")
        groups.setdefault(tuple(str(unit.get(name)) for name in alike) if _is_planned(binder, unit) else (), []).append(
            unit
        )
    parts = [_draw_group(binder, group, bool(key), wide, compact=compact) for key, group in groups.items()]
    return [flow for flows in parts for flow in flows]


def _is_planned(binder: Binder, unit: Mapping[str, Any]) -> bool:
    return unit["status"] == "planned" and str(unit["treatment_id"]) in binder.treatments


@dataclass(frozen=True)
class _Shared:
    """What the head of a group says for all its units, and their cards do not: dates, what to mind, column names."""

    dates: str = ""
    minds: tuple[str, ...] = ()
    columns: _Columns | None = None


def _find_shared(binder: Binder, units: Sequence[Mapping[str, Any]]) -> _Shared:
    """Return what is the same on all units of a group."""
    treatment = binder.treatments[str(units[0]["treatment_id"])]
    dates = {show_runs(binder.runs.get(str(unit["unit_id"]), ())) for unit in units}
    minds = [_list_minds(binder, unit) for unit in units]
    columns = {_find_columns(binder, unit, treatment) for unit in units} - {None}
    return _Shared(
        dates=dates.pop() if len(dates) == 1 else "",
        minds=tuple(text for text in minds[0] if all(text in texts for texts in minds)),
        columns=columns.pop() if len(columns) == 1 else None,
    )


def _draw_group(
    binder: Binder, units: Sequence[Mapping[str, Any]], planned: bool, wide: float, *, compact: bool
) -> list[Flow]:
    shared, head = _Shared(), []
    if planned:
        shared = _find_shared(binder, units) if compact and len(units) > 1 else shared
        head = _draw_head(binder, units[0], shared, wide)
        if measure(head, wide) > _HEAD_MOST_PT:  # texts without an end
            shared = _Shared()
            head = _draw_head(binder, units[0], shared, wide)
    rows: list[list[Any]] = [_draw_unit(binder, unit, wide, shared, compact=compact) for unit in units]
    endless = measure(head, wide) > _HEAD_MOST_PT
    if planned and not endless:
        rows.insert(0, [head, ""])
    widths = [_SIDE_PT, wide - _SIDE_PT]
    repeated = planned and not endless
    cards = table(rows, widths, lines="rows", head=repeated, across=repeated, pad=(1, 3), whole_rows=True)
    return [*head, cards] if endless else [cards]


#: A head that is taller is not repeated on each page, and may break over pages itself.
_HEAD_MOST_PT: Final = 150.0


def _draw_head(binder: Binder, unit: Mapping[str, Any], shared: _Shared, wide: float) -> list[Flow]:
    """Return the head of a group: how it is done and with what, and what holds for all its units."""
    flows = [_treatment_line(binder, unit, binder.treatments[str(unit["treatment_id"])], shared.dates)]
    if shared.minds:
        flows.append(para(bold(f"MIND {'; '.join(shared.minds)}")))
    if shared.columns is not None:
        cells = ["", *[para(bold(name), size=SMALL_PT) for name in shared.columns.names]]
        widths = [_SIDE_PT, *shared.columns.share(wide - _SIDE_PT - 8)]
        flows.append(table([cells], widths, lines="none", pad=(0.5, 0), sides=3))
    return flows


def _draw_unit(binder: Binder, unit: Mapping[str, Any], wide: float, shared: _Shared, *, compact: bool) -> list[Any]:
    """Return the card of one unit: its number and hatch, and how much of what, or that it is left; why is overleaf."""
    system = binder.system
    words: list[Piece] = [bold(f"Unit {unit['unit_id']}: "), w.show_cell(unit, "area", c.AREA, system)]
    treatment = binder.treatments.get(str(unit["treatment_id"]))
    if unit["method"] == LOOK:
        content = _look(binder, unit, words)
    elif unit["status"] != "planned" or treatment is None:
        content = [para(*words, size=ACT_PT), *_leave(unit)]
    else:
        words += [] if shared.dates else [", ", bold(show_runs(binder.runs.get(str(unit["unit_id"]), ())))]
        sums = [*_list_sums(unit, binder, treatment), f"crew {w.show_cell(unit, 'crew', c.HOURS, system)}"]
        one_line = len(sums) == 1 or bool(shared.dates)
        minds = [text for text in _list_minds(binder, unit) if text not in shared.minds]
        content = [
            para(*words, *([", ", *sums] if one_line else []), size=ACT_PT),
            *_mix_table(binder, unit, treatment, wide - _SIDE_PT - 8, named=shared.columns is not None),
            *([] if one_line else [para(*sums, size=ACT_PT)]),
            *([para(bold("MIND "), bold("; ".join(minds)))] if minds else []),
            para(_dose_line(unit, system), size=SMALL_PT),
        ]
    return [_draw_side(binder, unit, compact=compact), content]


def _draw_side(binder: Binder, unit: Mapping[str, Any], *, compact: bool) -> list[Flow]:
    """Return the number of a unit, its hatch on the map and what the rules leave open."""
    look = binder.looks[str(unit["unit_id"])]
    use = str(unit["allowed_use"]) if w.is_known(unit["allowed_use"]) else "not classed"
    use = OPEN_LIMITED if look == OPEN_LIMITED else use
    short = short_unit(str(unit["unit_id"]), str(unit["patch_id"]))
    open_to = para(use, size=_USE_PT, align=1)
    if compact and len(short) <= _BESIDE:
        beside = [[para(bold(short), size=16, align=1), swatch(look, 38, 14)]]
        return [table(beside, [32, 40], lines="none", pad=(1, 2), sides=0, align="CENTER"), open_to]
    mark = table([[swatch(look, 48, 15)]], [48], lines="none", pad=(2, 1), sides=0, align="CENTER")
    return [para(bold(short), size=18, align=1), mark, open_to]


#: Letters of a unit's number that leave room for its hatch beside them.
_BESIDE: Final = 2
_USE_PT: Final = 8.5


def _look(binder: Binder, unit: Mapping[str, Any], words: Sequence[Piece]) -> list[Flow]:
    """Return the card of a unit that was found empty: what to do, and that nothing is applied."""
    dates = bold(show_runs(binder.runs.get(str(unit["unit_id"]), ())))
    minds = _list_minds(binder, unit)
    return [
        para(*words, ", ", dates, f", crew {w.show_cell(unit, 'crew', c.HOURS, binder.system)}", size=ACT_PT),
        para(bold("LOOK ONLY: found empty. "), "Walk all of it and look. Treat nothing, mix nothing.", size=ACT_PT),
        para("Where a plant stands: mark it, write it down, tell the planner. ", str(unit["reason"]), size=SMALL_PT),
        *([para(bold("MIND "), bold("; ".join(minds)))] if minds else []),
    ]


def _leave(unit: Mapping[str, Any]) -> list[Flow]:
    if w.is_known(unit["area_counted_with"]):
        other = bold(f"Treat this ground with patch {unit['area_counted_with']} only. ")
        return [para(other, str(unit["reason"]), size=ACT_PT)]
    return [para(bold("NO OPTION: leave this unit untreated."), " Why: overleaf.", size=ACT_PT)]


def draw_refusals(binder: Binder, unit: Mapping[str, Any]) -> list[Flow]:
    """Return why a unit is left untreated, reason by reason, and the way without herbicide; nothing for the others."""
    planned = unit["status"] == "planned" and str(unit["treatment_id"]) in binder.treatments
    if planned or unit["method"] == LOOK or w.is_known(unit["area_counted_with"]):
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


def _treatment_line(binder: Binder, unit: Mapping[str, Any], treatment: Treatment, dates: str = "") -> Flow:
    """Return how it is done, when where that is the same for all, and what the mix is made of."""
    how: list[Piece] = [bold(METHODS[treatment.method].title)]
    how += [", ", bold(dates)] if dates else []
    how += [f"; {line}" for line in w.describe_dose(treatment, binder.system)]
    if treatment.note:
        how.append(f"; {treatment.note}")
    if not w.is_known(unit["product_id"]):
        return para(*how, size=ACT_PT)
    recipe = binder.read_recipe(unit, treatment)
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
        parts[-1] += f" at {rate}" if rate != w.UNKNOWN else ""
        parts += [f"{mass} ae"] if mass != w.UNKNOWN else []
        parts[-1] += f", {w.show_cell(unit, 'ae', c.DOSE, system)} ae"
        if w.is_known(unit["annual_limit_used_pct"]):
            parts.append(f"{w.figures(float(unit['annual_limit_used_pct']))} % of year's limit")
    return "; ".join(parts)


def _list_minds(binder: Binder, unit: Mapping[str, Any]) -> list[str]:
    """Return what must not be missed on a unit: tasks, edges to flag, days lost, heat limits."""
    tasks: dict[str, None] = {}
    doubtful: dict[str, None] = {}
    unit_id = str(unit["unit_id"])
    for row in binder.distances.get(unit_id, []):
        _, setback = binder.setbacks[str(row["setback_id"])]
        if describe_task(setback):
            tasks[name_task(setback)] = None
        if row["distance_verdict"] == "within error":
            doubtful[str(row["feature"])] = None
    texts = list(tasks)
    texts += [f"WITHIN ERROR of {', '.join(doubtful)}"] if doubtful else []
    checks = binder.checks.get(unit_id, ())
    edges = dict.fromkeys(binder.features.get((unit_id, check), check) for check in checks)
    if edges:
        texts.append("flag the real edge" + ("" if set(edges) <= set(doubtful) else f" of {', '.join(edges)}"))
    texts += [str(unit["reason"])] if w.is_known(unit["reason"]) else []
    texts += _list_other_cautions(binder, unit)
    return texts


def _list_loads(binder: Binder, unit: Mapping[str, Any], treatment: Treatment) -> list[w.Load]:
    """Return the loads of a unit; none where nothing is mixed."""
    if treatment.product is None:
        return []
    capacity_l = w.find_capacity_l(binder.plan.site.operations, treatment)
    return w.list_loads(
        w.read_si(unit, "spray", c.LIQUID, binder.system), capacity_l, binder.read_recipe(unit, treatment)
    )


@dataclass(frozen=True)
class _Columns:
    """The columns of a mix table beside the load: products, what is added, the carrier."""

    products: tuple[str, ...]
    extras: tuple[str, ...]
    carrier: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """All names, from left to right."""
        return ("Load of mix", *self.products, *self.extras, *self.carrier)

    def share(self, wide: float) -> list[float]:
        """Return their widths [pt]; what is acted on has more room, where there is any."""
        few = len(self.extras) + len(self.carrier)
        widths = [_FIRST_PT, *[_PRODUCT_PT] * len(self.products)]
        left = wide - sum(widths)
        if left < few * _OTHER_PT:
            return [wide / len(self.names)] * len(self.names)
        return [*widths, *[left / max(few, 1)] * few]


def _find_columns(binder: Binder, unit: Mapping[str, Any], treatment: Treatment) -> _Columns | None:
    """Return the columns that a unit's mix table needs; None where nothing is mixed."""
    recipe, loads = binder.read_recipe(unit, treatment), _list_loads(binder, unit, treatment)
    if not loads:
        return None
    return _Columns(
        tuple(_name_products(binder, unit, recipe)) if recipe.partners else ("Product",),
        tuple(name for name, share in (("Dye", recipe.dye), ("Adjuvant", recipe.adjuvant)) if share),
        (str(unit["carrier"]).capitalize(),) if any(load.mix.carrier_l > 0 for load in loads) else (),
    )


def _mix_table(
    binder: Binder, unit: Mapping[str, Any], treatment: Treatment, wide: float, *, named: bool = False
) -> list[Flow]:
    """Return what goes into each load; ``named`` tells that the columns have their names above already."""
    system = binder.system
    columns = _find_columns(binder, unit, treatment)
    if columns is None:
        return []
    rows: list[list[Any]] = [] if named else [[para(bold(name), size=SMALL_PT) for name in columns.names]]
    for load in _list_loads(binder, unit, treatment):
        amounts = {"Dye": load.mix.dye_l, "Adjuvant": load.mix.adjuvant_l}
        total_l = load.mix.total_l + sum(load.partners_l)
        label = f"{load.count} full loads" if load.count > 1 else load.label
        poured = [load.mix.product_l, *load.partners_l]
        others = [*[amounts[name] for name in columns.extras], *[load.mix.carrier_l for _ in columns.carrier]]
        rows.append(
            [
                para(bold(label), f": {w.show_poured(total_l, system)}"),
                *[para(bold(w.show_measured(size, system)), size=ACT_PT) for size in poured],
                *[para(w.show_poured(size, system)) for size in others],
            ]
        )
    return [table(rows, columns.share(wide), head=not named, pad=(0.5, 2), sides=3)]


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
    found: dict[str, dict[str, bool]] = {}
    places: dict[str, dict[str, None]] = {}
    error_m = 0.0
    for unit in units:
        name = short_unit(str(unit["unit_id"]), patch_id)
        for row in binder.distances.get(str(unit["unit_id"]), []):
            error_m = max(error_m, w.read_si(row, "error", c.LENGTH, binder.system))
            names = found.setdefault(str(row["setback_id"]), {})
            names[name] = names.get(name, False) or row["distance_verdict"] == "within error"
            where = w.describe_place(row, binder.system)
            if not where.startswith("holds on"):
                places.setdefault(where, {})[name] = None
    if not found:
        return [para(bold("Setbacks: "), "none of the loaded rules is in force on this patch.")]
    rows: list[list[Any]] = []
    for setback_id in [name for name in binder.setbacks if name in found]:
        ruleset, setback = binder.setbacks[setback_id]
        on = _name_places(found[setback_id], len(units))
        rule = [bold(setback_id), f", {describe_reach(setback, binder.system)}: "]
        rows.append([para(*rule, *describe_rule(ruleset, setback), ": ", bold(on), size=SMALL_PT)])
    form = table(rows, [wide], lines="rows", pad=(0.5, 2))
    return [heading("Rules in force on this patch"), form, *_describe_places(places, error_m, binder.system)]


def _name_places(doubtful: Mapping[str, bool], count: int) -> str:
    """Return the units that a rule holds on, of ``count``, and on which of them the mapping error leaves it open."""
    on = "all units" if len(doubtful) == count else f"unit {', '.join(doubtful)}"
    open_on = [name for name, is_doubtful in doubtful.items() if is_doubtful]
    if not open_on:
        return on
    return f"{on}, WITHIN ERROR" + ("" if len(open_on) == len(doubtful) else f" on {', '.join(open_on)}")


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


def describe_rule(ruleset: Ruleset, setback: Setback) -> list[Piece]:
    """Return what a rule forbids or asks for, with its months, conditions and datum."""
    forbids = setback.forbids
    pieces: list[Piece] = [describe_task(setback) if forbids is None else describe_ban(forbids)]
    if setback.unless_surveyed:
        pieces.append(bold(UNLESS_SURVEYED))
    if setback.season:
        pieces.append(f", {describe_season(setback)}")
    pieces += [f"; {condition}" for condition in setback.conditions]
    if setback.datum:
        pieces.append(f"; runs from {setback.datum}")
    return [*pieces, bold("; DRAFT rule set, not checked")] if ruleset.ruleset.status == "draft" else pieces
