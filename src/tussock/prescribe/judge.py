"""In: one treatment and one unit. Out: every reason that refuses it, in words, with what would unlock it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tussock.base.columns import RATE, UnitSystem
from tussock.base.days import Season, all_days, span_days, window_days
from tussock.base.records import DELIVERY, Operations, Product, Ruleset, Setback, Treatment
from tussock.base.stages import SiteOptions
from tussock.base.text import show_date, show_dose, show_length, show_validity, show_window
from tussock.base.units import INCH_M
from tussock.base.verdicts import OUT_OF_REACH
from tussock.prescribe.dose import Dose, Stand
from tussock.prescribe.seasons import NamedDays
from tussock.trade import mixing
from tussock.trade.methods import METHODS

LIMIT_TOLERANCE: Final = 1e-9


@dataclass(frozen=True)
class Component:
    """One product in the tank, with its share of the mix; the first is the treatment's own, others are partners."""

    product: Product
    concentration: float

    @property
    def ae_kg_per_l(self) -> float:
        """Acid equivalent that it brings into the mix [kg/L]."""
        return self.concentration * self.product.strength_kg_per_l


@dataclass(frozen=True)
class Dosed:
    """A product in the tank with the dose that it brings."""

    component: Component
    dose: Dose


@dataclass(frozen=True)
class SetbackInForce:
    """A setback in force on a unit: the feature that causes it and how far that is."""

    setback: Setback
    ruleset: Ruleset
    feature: str
    achieved_m: float
    required_m: float


@dataclass(frozen=True)
class ReachLimit:
    """Why a treatment is not worked on foot on a unit: by boat, or out of reach; lengths [m]."""

    reached: str
    stands: str
    reach_m: float
    place: str
    distance_m: float


@dataclass(frozen=True)
class Unruled:
    """A feature near a unit of a kind that no rule names, and how far the rules of its layer look out."""

    layer: str
    kind: str
    feature: str
    achieved_m: float
    looks_out_m: float


@dataclass(frozen=True)
class Ground:
    """What the judge sees of one unit.

    ``reach`` holds the treatments that are not worked there on foot, by id; ``set_aside`` says why its patch could not
    be cut, and is blank where it was.
    """

    unit_id: str
    patch_id: str
    species: str
    growth_form: str
    in_water: bool
    bark_wet: bool
    in_force: tuple[SetbackInForce, ...]
    reach: Mapping[str, ReachLimit]
    unruled: tuple[Unruled, ...]
    counted_with: str
    set_aside: str = ""


def describe_mismatch(treatment: Treatment, species: str, growth_form: str) -> str:
    """Say what a treatment is for where it does not suit a patch."""
    wanted = " / ".join((*treatment.species, *treatment.growth_form))
    patch = f"{species or 'unnamed'} ({growth_form or '?'})"
    return f"not for this plant: the treatment is for {wanted}, the patch is {patch}"


def check_label(treatment: Treatment, component: Component) -> list[str]:
    """Check method, concentration, carrier and form against the label of a product; one text for each refusal."""
    product, share = component.product, component.concentration
    refusals = []
    allowed = product.methods.get(treatment.method)
    name = treatment.method.replace("_", " ")
    if allowed is None:
        listed = ", ".join(method.replace("_", " ") for method in product.methods) or "none"
        text = f"label of {product.id}: {name} is not among its methods ({listed})"
        refusals.append(f"{text}; unlock: a product labelled for {name}")
    elif not allowed[0] * (1 - LIMIT_TOLERANCE) <= share <= allowed[1] * (1 + LIMIT_TOLERANCE):
        span = f"{allowed[0] * 100:.4g} to {allowed[1] * 100:.4g} %"
        text = f"label of {product.id}: {share * 100:.4g} % is outside its range for {name}, {span}"
        refusals.append(f"{text}; unlock: a concentration in that range")
    carrier = find_carrier(treatment)
    if carrier not in product.carrier:
        carriers = " or ".join(product.carrier)
        text = f"label of {product.id}: mixes with {carriers}, the treatment takes {carrier}"
        refusals.append(f'{text}; unlock: a product for {carrier}, or carrier = "{product.carrier[0]}"')
    if treatment.method == "basal_bark" and (product.form != "ester" or carrier != "oil"):
        text = f"basal bark takes an oil-soluble ester in oil (common practice): {product.id} is a {product.form}"
        refusals.append(f"{text} in {carrier}; unlock: an ester for oil, or cut stump")
    return refusals


def find_carrier(treatment: Treatment) -> str:
    """Return the carrier of a treatment: its own, or its method's usual one."""
    return treatment.carrier or METHODS[treatment.method].carrier or "water"


def check_listed(treatment: Treatment, product: Product, rulesets: tuple[Ruleset, ...]) -> list[str]:
    """Refuse a combination that a listing rule set does not list."""
    refusals = []
    for ruleset in rulesets:
        if ruleset.ruleset.listed_only and not any(
            row.matches(
                method=treatment.method,
                active=product.active,
                form=product.form,
                aquatic_label=product.aquatic_label,
                soil_active=product.soil_active,
            )
            for row in ruleset.listed
        ):
            label = "aquatic label" if product.aquatic_label else "no aquatic label"
            what = f"{product.active} {product.form}, {label}, by {DELIVERY[treatment.method]}"
            refusals.append(f"not listed: {ruleset.title} has no row for {what}; unlock: a combination that it lists")
    return refusals


def check_person(product: Product, operations: Operations | None) -> list[str]:
    """Refuse a restricted-use product where no certified person is in the crew."""
    if not product.restricted_use:
        return []
    crew = operations.crew if operations is not None else None
    if crew is not None and crew.licensed > 0:
        return []
    found = "no crew is loaded" if crew is None else "nobody in the crew is licensed"
    return [f"{product.id} is for restricted use: {found}; unlock: crew.licensed = 1 or more in the operations file"]


def check_stems(treatment: Treatment, stand: Stand, system: UnitSystem) -> list[str]:
    """Refuse stems outside the diameters that a treatment is for."""
    window = treatment.stem_diameter_m
    if window is None or stand.stems_per_ha == 0:
        return []
    span = " to ".join(_show_diameter(end, system) for end in window)
    diameters, shares = stand.diameters_m, stand.shares
    if not len(diameters) or np.isnan(diameters).any():
        return [f"for stems of {span}, and no stem diameter is mapped; unlock: give stem_diameter_in"]
    tolerance = 1e-9
    outside = (diameters < window[0] - tolerance) | (diameters > window[1] + tolerance)
    if not outside.any():
        return []
    found = ", ".join(_show_diameter(size, system) for size in np.unique(diameters[outside]))
    share = float(shares[outside].sum()) * 100
    return [f"for stems of {span}: {share:.3g} % of the stems are not ({found}); unlock: another method for those"]


def _show_diameter(size_m: float, system: UnitSystem) -> str:
    return f"{size_m / INCH_M:.3g} in" if system == "us" else f"{size_m * 100:.3g} cm"


def check_application(
    treatment: Treatment, tank: Sequence[Dosed], share: float, system: UnitSystem
) -> tuple[list[str], float]:
    """Check one application of an active against the labels' limits for an application and for a year.

    Parameters
    ----------
    treatment
        What is applied.
    tank
        The products of the active in the tank: their doses add up, and the strictest of their labels binds.
    share
        Of the stems that is treated, 1 for ground.
    system
        Units of the texts.

    Returns
    -------
    refusals, share
        Texts, and the share of the doses that the limits leave (1 where they do not bind).
    """
    asked = sum(item.dose.ae_kg_per_ha for item in tank) * share
    for name, key in (
        ("limit for one application", "limit_per_application_kg_per_ha"),
        ("annual limit", "limit_per_year_kg_per_ha"),
    ):
        limits = [getattr(item.component.product, key) for item in tank]
        limit = min((value for value in limits if value is not None), default=math.inf)
        if not asked > limit * (1 + LIMIT_TOLERANCE):
            continue
        product = tank[0].component.product
        text = f"{name} of {product.active}: {show_dose(asked, system, unit=False)} of {show_dose(limit, system)}"
        if len(tank) > 1:
            parts = (
                f"{item.component.product.id} {show_dose(item.dose.ae_kg_per_ha * share, system, unit=False)}"
                for item in tank
            )
            text += f" ({' + '.join(parts)})"
        elif treatment.spray_volume_l_per_ha is not None:
            ceiling = mixing.find_ceiling_concentration(
                limit, treatment.spray_volume_l_per_ha, product.strength_kg_per_l
            )
            volume = _show_volume(treatment.spray_volume_l_per_ha, system)
            text += f"; at {volume} the ceiling is {ceiling * 100:.4g} %"
        return [text], limit / asked
    return [], 1.0


def _show_volume(size_l_per_ha: float, system: UnitSystem) -> str:
    return f"{size_l_per_ha / RATE.size(system):.4g} {'gal/acre' if system == 'us' else 'L/ha'}"


def find_forbidding(treatment: Treatment, products: list[Product], ground: Ground) -> list[SetbackInForce]:
    """Return the setbacks in force on a unit that forbid a treatment, with the products of its tank or without any."""
    return [
        item
        for item in ground.in_force
        if item.setback.forbids is not None and item.setback.forbids.binds(treatment.method, products)
    ]


def check_kinds(ground: Ground, system: UnitSystem) -> list[str]:
    """Refuse a herbicide near features of a kind that no rule names and no rule file waives."""
    refusals = []
    for item in ground.unruled:
        place = f"{show_length(item.achieved_m, system)} from {item.feature}"
        if item.kind:
            text = f'no loaded rule names the kind "{item.kind}" ({item.layer})'
            ways = f'a rule that names it, or in a rule file kinds = {{ "{item.kind}" = "..." }} or no_rule_for = '
            ways += f'["{item.kind}"]'
        else:
            text = f"its kind is not mapped, and no loaded rule is for all of {item.layer}"
            ways = f'its kind in the layer, or in a rule file no_rule_for = ["{item.layer}"]'
        most = show_length(item.looks_out_m, system)
        refusals.append(f"{place}: {text}, looked for within {most}; unlock: {ways}")
    return refusals


def check_setbacks(items: list[SetbackInForce], system: UnitSystem) -> list[str]:
    """Refuse what setbacks forbid the whole year; those of a season, or that a survey lifts, bind the dates instead."""
    return [
        f"{describe_setback(item, system)}; unlock: {_name_way_out(item)}"
        for item in items
        if item.setback.season is None and not item.setback.unless_surveyed
    ]


def _name_way_out(item: SetbackInForce) -> str:
    """Say what to look for where a setback refuses: another method, another product, or work without herbicide."""
    setback, forbids = item.setback, item.setback.forbids
    if forbids is not None and forbids.work is not None:
        return f"no work is allowed there: ask {item.ruleset.ruleset.authority}"
    by_method = forbids is not None and bool(forbids.delivery or forbids.method)
    by_product = forbids is not None and (
        bool(forbids.active or forbids.form) or forbids.aquatic_label is not None or forbids.soil_active is not None
    )
    if by_method and by_product:
        return f"another method or product, that {setback.id} allows"
    if by_method:
        return f"a method that {setback.id} allows"
    if by_product:
        return f"a product that {setback.id} allows"
    return "a method without herbicide"


def list_setback_days(season: Season, items: list[SetbackInForce], system: UnitSystem) -> list[NamedDays]:
    """Return the days of a season that setbacks with windows leave open."""
    named = []
    for item in items:
        setback = item.setback
        if setback.season is None and not setback.unless_surveyed:
            continue
        closed = all_days(season) if setback.season is None else window_days(season, setback.season)
        when = "" if setback.season is None else f", in force {show_window(setback.season)}"
        named.append(NamedDays(f"{describe_setback(item, system)}{when}", ~closed, setback.unless_surveyed))
    return named


def list_own_days(
    season: Season, treatment: Treatment, products: list[Product], options: SiteOptions
) -> list[NamedDays]:
    """Return the windows of the treatment, its plant stages, the labels, summer heat, and the site's closures."""
    named = []
    if treatment.season is not None:
        days = window_days(season, treatment.season)
        named.append(NamedDays(f"treatment window {show_window(treatment.season)}", days, own=True))
    for name, window in treatment.windows.items():
        named.append(NamedDays(f"{name} {show_window(window)}", window_days(season, window), own=True))
    for product in products:
        if product.season is not None:
            days = window_days(season, product.season)
            named.append(NamedDays(f"label of {product.id}, {show_window(product.season)}", days))
        if product.heat_limit and options.hot_season is not None:
            name = f"heat limit of {product.id} ({product.heat_limit}), hot {show_window(options.hot_season)}"
            named.append(NamedDays(name, ~window_days(season, options.hot_season)))
    return [*named, *list_closed_days(season, options)]


def list_closed_days(season: Season, options: SiteOptions) -> list[NamedDays]:
    """Return the days of a season that the closures of the site leave open to any work."""
    named = []
    for closure in options.closures:
        name = f"closure {closure.id} ({closure.reason}), {show_window(closure.season)}"
        named.append(NamedDays(name, ~window_days(season, closure.season), closure.unless_surveyed))
    return named


def list_ruleset_days(
    season: Season, method: str, rulesets: tuple[Ruleset, ...], accepted: tuple[str, ...], *, herbicide: bool
) -> list[NamedDays]:
    """Return the days of a season that rule sets stand for; sets that the user accepts out of date bind no day.

    On the other days the rules of a set are not known: no herbicide is planned then, nor other work that the set
    forbids anywhere.
    """
    named = []
    for ruleset in rulesets:
        head = ruleset.ruleset
        days = span_days(season, [(head.valid_from, head.valid_to)])
        rules = [setback.forbids for setback in ruleset.setback if setback.forbids is not None]
        binds = herbicide or any(rule.binds(method, []) for rule in rules)
        if binds and head.title not in accepted and not days.all():
            dates = show_validity(head.valid_from, head.valid_to)
            named.append(NamedDays(f"rule set {head.title}, valid {dates}", days))
    return named


def list_interval_days(season: Season, product: Product, dates: list[tuple[dt.date, str]]) -> list[NamedDays]:
    """Return the days of a season left open by the least interval between applications of a product.

    After an application nothing may follow before the interval is over, whatever year that falls into. Before one that
    is dated after the season the interval is kept as well.
    """
    if product.min_interval_s is None:
        return []
    wait = dt.timedelta(days=math.ceil(product.min_interval_s / 86_400 - 1e-9))
    named = []
    for date, text in dates:
        span = (None, date - wait) if date > season.last else (date + wait, None)
        days = span_days(season, [span])
        if not days.all():
            edge = (
                f"not after {show_date(date - wait)}" if date > season.last else f"not before {show_date(date + wait)}"
            )
            named.append(NamedDays(f"interval of {wait.days} days of {product.id} after {text}, {edge}", days))
    return named


def describe_setback(item: SetbackInForce, system: UnitSystem) -> str:
    """Name a setback, the measured distance and the feature."""
    if np.isnan(item.achieved_m):
        return f"{item.setback.id}: holds on {item.feature}"
    required = show_length(item.required_m, system)
    return f"{item.setback.id}: {show_length(item.achieved_m, system)} from {item.feature} ({required} required)"


def check_place(treatment: Treatment, products: list[Product], ground: Ground) -> list[str]:
    """Check that a product without an aquatic label stays out of water, and that bark to be sprayed is dry."""
    refusals = [
        f"label of {product.id}: no aquatic label, and the unit reaches into water; unlock: an aquatic-labelled product"
        for product in products
        if ground.in_water and not product.aquatic_label
    ]
    if treatment.method == "basal_bark" and (ground.bark_wet or ground.in_water):
        found = "the stems stand in water" if ground.in_water else "the bark is mapped as wet"
        refusals.append(f"basal bark needs dry bark: {found}; unlock: dry bark, or cut stump")
    return refusals


def check_reach(treatment: Treatment, ground: Ground, system: UnitSystem) -> str:
    """Refuse a treatment on ground that it does not reach; an empty text where it does."""
    limit = ground.reach.get(treatment.id)
    if limit is None or limit.reached != OUT_OF_REACH:
        return ""
    name = METHODS[treatment.method].title
    if limit.stands == "machine":
        found = "a machine does not stand in water" if limit.place else "no water is mapped, so dry ground is not known"
        far = f" and reaches {show_length(limit.reach_m, system)} from where it stands" if limit.reach_m > 0 else ""
        return f"out of reach of {name}: {found}{far}; unlock: work by hand, or water mapped as dry"
    what = "throw" if DELIVERY[treatment.method] == "spot" else "reach"
    return (
        f"out of reach of {name}: {show_length(limit.distance_m, system)} and more from {limit.place}, the {what} is "
        f"{show_length(limit.reach_m, system)}; unlock: a standing place nearer to it, or a boat"
    )
