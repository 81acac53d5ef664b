"""In: verdicts on a unit and the one chosen. Out: the columns of the unit and of its options, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from tussock.base.columns import AREA, SMALL_LIQUID
from tussock.base.days import find_longest, list_runs
from tussock.base.records import LOOK
from tussock.base.stages import Site
from tussock.base.text import show, show_window
from tussock.base.verdicts import BY_BOAT, OUT_OF_REACH
from tussock.prescribe.amounts import Amounts, Verdict
from tussock.prescribe.judge import Ground, find_carrier
from tussock.prescribe.looks import Look
from tussock.trade.methods import NON_CHEMICAL, offer_non_chemical
from tussock.wording.outlines import refuse_set_aside


def describe_option(unit_id: str, verdict: Verdict, chosen: Verdict | None) -> tuple[str, ...]:
    """Return the option row of one treatment: unit, treatment, verdict, reason, how the unit is reached."""
    word, texts = "refused", list(verdict.refusals)
    if verdict is chosen:
        word, texts = "chosen", [f"lowest preference ({verdict.treatment.preference}) of those allowed", *verdict.notes]
    elif verdict.allowed:
        word, texts = "allowed", [f"allowed, preference {verdict.treatment.preference}", *verdict.notes]
    return unit_id, verdict.treatment.id, word, "; ".join(texts), verdict.reached


def describe_unit(
    site: Site,
    ground: Ground,
    area_m2: float,
    patch: Mapping[str, Any],
    verdicts: Sequence[Verdict],
    planned: Verdict | Look | None,
    amounts: Amounts,
) -> dict[str, Any]:
    """Return the columns that a unit gains by its prescription: the verdict chosen, or the look at empty ground."""
    look = planned if isinstance(planned, Look) else None
    chosen = planned if isinstance(planned, Verdict) else None
    idle = chosen is None and (look is None or bool(look.refusals))
    runs = () if idle or planned is None else list_runs(site.season, planned.days)
    longest = find_longest(runs)
    product = chosen.parts[0].component.product if chosen is not None and chosen.parts else None
    treatment = None if chosen is None else chosen.treatment
    return {
        "treatment_id": "" if treatment is None else treatment.id,
        "method": "" if idle else LOOK if treatment is None else treatment.method,
        "delivery": "" if idle else "none" if treatment is None else treatment.delivery,
        "product_id": "" if product is None else product.id,
        "active": "" if product is None else product.active,
        **amounts.columns(),
        "annual_limit_used_pct": math.nan if chosen is None else chosen.used_pct,
        "season_from": "" if longest is None else longest[0].isoformat(),
        "season_to": "" if longest is None else longest[1].isoformat(),
        "windows": runs,
        "status": "no_option" if idle else "planned",
        "reason": look.reason if look else _find_reason(site, ground, area_m2, patch, verdicts, chosen, amounts),
        "cautions": _find_cautions(ground, chosen),
        "non_chemical": _find_non_chemical(ground, verdicts) if look is None else "",
        "check_in_field": "",
        "carrier": "" if product is None or treatment is None else find_carrier(treatment),
        "tank_mix": _describe_partners(site, chosen, amounts),
        "area_counted_with": ground.counted_with,
        "reached": _find_reached(ground, verdicts, chosen),
    }


def _find_reached(ground: Ground, verdicts: Sequence[Verdict], chosen: Verdict | None) -> str:
    """Return how the unit is reached by what is planned; without a plan whether its reach alone is in the way."""
    if chosen is not None:
        return chosen.reached
    alone = not ground.counted_with and any(verdict.only_reach for verdict in verdicts)
    return OUT_OF_REACH if alone else ""


def _find_reason(
    site: Site,
    ground: Ground,
    area_m2: float,
    patch: Mapping[str, Any],
    verdicts: Sequence[Verdict],
    chosen: Verdict | None,
    amounts: Amounts,
) -> str:
    if chosen is not None:
        return "; ".join(_list_notes(patch, chosen, amounts))
    if ground.counted_with:
        area = show(area_m2, AREA, site.options.units)
        return f"{area} of shared ground: treated and counted once, with patch {ground.counted_with}"
    suiting = [verdict for verdict in verdicts if verdict.treatment.suits(ground.species, ground.growth_form)]
    if ground.set_aside and not suiting:
        return refuse_set_aside(ground.set_aside)
    if site.treatments is None:
        return "no treatments are loaded: units and setbacks only"
    if not suiting:
        plant = ground.species or "this plant"
        return f"no treatment in the catalog is for {plant} ({ground.growth_form or 'growth form unknown'})"
    first = sorted(suiting, key=lambda verdict: not verdict.only_reach)
    return "; ".join(f"{verdict.treatment.id}: {verdict.refusals[0]}" for verdict in first)


def _list_notes(patch: Mapping[str, Any], chosen: Verdict, amounts: Amounts) -> list[str]:
    notes = list(chosen.notes)
    if amounts.stems_left > 0:
        notes.append(f"{amounts.stems_left:.0f} stems left over this year")
    if math.isnan(patch["cover_pct"]) and not chosen.by_stems:
        notes.append("cover is not known: the dose stands, the amounts stay blank")
    return notes


def _find_cautions(ground: Ground, chosen: Verdict | None) -> str:
    texts: list[str] = []
    for item in ground.in_force:
        setback = item.setback
        if setback.permit is not None:
            texts.append(f"permit ({setback.id}): {setback.permit}")
        if setback.notify is not None:
            texts.append(f"notify ({setback.id}): {setback.notify}")
        if setback.no_mixing:
            texts.append(f"no mixing or filling here ({setback.id})")
        texts += [f"condition ({setback.id}): {condition}" for condition in setback.conditions]
    if chosen is not None and chosen.reached == BY_BOAT:
        place = ground.reach[chosen.treatment.id].place
        texts.append(f"by boat, from {place}: life jackets, and never alone (common practice)")
    if chosen is not None and chosen.treatment.treat_within_s is not None:
        texts.append(f"treat within {chosen.treatment.treat_within_s / 60:g} minutes of the cut")
    for part in () if chosen is None else chosen.parts:
        product = part.component.product
        if product.form == "ester" and not product.heat_limit:
            texts.append(f"{product.id} is an ester: heat limit not in the catalog (80 to 85 F from memory, confirm)")
        elif product.heat_limit:
            texts.append(f"{product.id}: not above {product.heat_limit}")
    return "; ".join(dict.fromkeys(texts))


def _find_non_chemical(ground: Ground, verdicts: Sequence[Verdict]) -> str:
    """Return what could be done on a unit without herbicide, and which rules forbid the rest of it."""
    ways = [item.treatment for item in verdicts if item.allowed and item.treatment.product is None]
    bans = {method: _list_bans(ground, method) for method in NON_CHEMICAL}
    barred = [method for method, texts in bans.items() if texts]
    said = "; ".join(f"no {method}: {' and '.join(bans[method])}" for method in barred)
    if ways:
        return "in the catalog: " + ", ".join(f"{way.id} ({way.method})" for way in ways)
    if len(barred) == len(bans):
        return f"none: {said}"
    if barred:
        return f"not in the catalog: {' or '.join(method for method in bans if method not in barred)}; {said}"
    if not ground.growth_form:
        return "pull, dig or cut, by growth form"
    beyond = any(item.stands == "person" and item.reached == OUT_OF_REACH for item in ground.reach.values())
    where = ", once it is reached from a standing place or a boat" if beyond else ""
    return f"not in the catalog{where}: {offer_non_chemical(ground.growth_form)}"


def _list_bans(ground: Ground, method: str) -> list[str]:
    """Return the rules in force on a unit that forbid a way without herbicide, with their days."""
    return [
        item.setback.id + (f" {show_window(item.setback.season)}" if item.setback.season else "")
        for item in ground.in_force
        if item.setback.forbids is not None and item.setback.forbids.binds(method, ())
    ]


def _describe_partners(site: Site, chosen: Verdict | None, amounts: Amounts) -> str:
    """Return the tank-mix partners as "product: amount, share", joined by ;."""
    if chosen is None:
        return ""
    texts = []
    for (product_id, size_l), part in zip(amounts.partners_l, chosen.parts[1:], strict=True):
        amount = "amount unknown" if math.isnan(size_l) else show(size_l, SMALL_LIQUID, site.options.units, 6)
        texts.append(f"{product_id}: {amount} ({part.concentration * 100:.6g} %)")
    return "; ".join(texts)
