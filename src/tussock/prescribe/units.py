"""In: units, treatments, products, rules. Out: `Prescribed`: every candidate's verdict, one chosen, its amounts."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from tussock.base.columns import UnitSystem
from tussock.base.columns.plan import UNIT_PRODUCTS
from tussock.base.days import Span, list_label_years
from tussock.base.findings import Finding, findings_table
from tussock.base.kinds import list_kinds, speaks_of_water
from tussock.base.records import STEM_METHODS, Product, Setback, Treatment
from tussock.base.stages import Measured, Prescribed, Repaired, Site, Zoned
from tussock.base.text import show_dose
from tussock.base.verdicts import ON_FOOT
from tussock.prescribe import judge
from tussock.prescribe.amounts import Part, Verdict, find_amounts, group_by_active, list_products
from tussock.prescribe.compliance import find_compliance
from tussock.prescribe.describe import describe_option, describe_unit
from tussock.prescribe.dose import Stand, find_dose
from tussock.prescribe.kinds import check_kinds, check_species
from tussock.prescribe.ledger import Ledger, Use, open_ledger
from tussock.prescribe.limits import Limited, apply_limits, find_strictest, find_used_pct
from tussock.prescribe.looks import plan_look, refuse_for_look
from tussock.prescribe.seasons import NamedDays, find_cut_windows, intersect_seasons
from tussock.prescribe.stand import list_unit_stems
from tussock.prescribe.uses import NO_HERBICIDE, find_allowed_use
from tussock.trade.actives import key_active
from tussock.wording.outlines import refuse_set_aside

if TYPE_CHECKING:
    import pandas as pd

NO_RULES = (
    "no rule set is loaded: a herbicide is not planned without setbacks; unlock: name a rule set in [catalog] rules"
)
NO_WATER_RULE = (
    "no loaded rule speaks of water: a herbicide is not planned without setbacks; unlock: a rule from water, or in a "
    'rule file no_rule_for = ["water"]'
)


def prescribe_units(site: Site, repaired: Repaired, measured: Measured, zoned: Zoned) -> Prescribed:
    """Judge every treatment on every unit, choose one by preference, and find its amounts.

    Parameters
    ----------
    site
        Treatments, products, rule sets, season, units of the texts.
    repaired
        Earlier applications, stems and overlaps.
    measured
        Patches with their areas.
    zoned
        Units with the setbacks in force.

    Returns
    -------
    Prescribed
        ``options`` has one row for each unit and treatment. The lowest allowed preference is chosen.
    """
    import pandas as pd

    desk = _Desk(site, repaired, measured, zoned)
    rows, options, products = [], [], []
    table: dict[Any, dict[Any, Any]] = zoned.units.drop(columns="geometry").to_dict("index")
    for unit_id, unit in table.items():  # in order: a dose planned first counts on ground that is shared
        row, verdicts, tank = desk.prescribe(str(unit_id), unit)
        rows.append(row)
        options += verdicts
        products += tank
    desk.settle_shared(rows)
    units = zoned.units.join(pd.DataFrame(rows, index=zoned.units.index))
    judged = pd.DataFrame(options, columns=["unit_id", "treatment_id", "verdict", "reason", "reached"])
    compliance = find_compliance(site, zoned.nearness, units)
    kinds = list_kinds({str(name): layer.frame for name, layer in repaired.layers.items()}, site.rulesets)
    told = [*check_kinds(site, repaired, kinds), *check_species(site, repaired)]
    told += find_cut_windows(site.season, site.treatments or ())
    tanks = pd.DataFrame(products, columns=[column.si_name for column in UNIT_PRODUCTS])
    return Prescribed(units, judged, compliance, kinds, tanks, findings_table([*told, *desk.findings]))


class _Desk:
    """Everything that the judge needs at hand, and the ledger that he writes in."""

    def __init__(self, site: Site, repaired: Repaired, measured: Measured, zoned: Zoned) -> None:
        self.site = site
        self.system: UnitSystem = site.options.units
        self.treatments: tuple[Treatment, ...] = site.treatments or ()
        history, stems = repaired.layers.get("history"), repaired.layers.get("stems")
        stem_rows = None if stems is None else stems.frame
        self.ledger: Ledger = open_ledger(
            None if history is None else history.frame, zoned.shared, site.products, self.system
        )
        self.patches: dict[Any, dict[Any, Any]] = measured.patches.drop(columns="geometry").to_dict("index")
        self.stems = list_unit_stems(measured.patches, zoned.units, stem_rows)
        self.in_force = _group_setbacks(site, zoned.nearness)
        self.reach = _group_limits(zoned.reach)
        aside = zoned.patches["set_aside"]
        self.unruled = _group_unruled(zoned.unruled)
        self.no_rules = self._find_no_rules(repaired)
        self.counted = _find_counted(repaired, list(self.patches), set(aside.index[aside != ""]))
        self.findings: list[Finding] = []
        self._components = {item.id: _list_components(item, site.products) for item in self.treatments}
        self._own_days = {item.id: self._list_own_days(item) for item in self.treatments}
        self._static: dict[str, list[str]] = {item.id: self._check_treatment(item) for item in self.treatments}
        self._mismatches: dict[tuple[str, str, str], Verdict | None] = {}
        self._uses: dict[tuple[Any, ...], str] = {}
        self._shared: list[tuple[int, Verdict, judge.Ground, tuple[int, ...]]] = []
        self._count = 0

    def _list_own_days(self, treatment: Treatment) -> list[NamedDays]:
        products = [component.product for component in self._components[treatment.id]]
        site = self.site
        named = judge.list_own_days(site.season, treatment, products, site.options)
        accepted, herbicide = site.options.accept_out_of_date, treatment.product is not None
        days = judge.list_ruleset_days(site.season, treatment.method, site.rulesets, accepted, herbicide=herbicide)
        return [*named, *days]

    def _check_treatment(self, treatment: Treatment) -> list[str]:
        """Return the refusals that hold on every unit: no rules, label, listing, person."""
        refusals = []
        for component in self._components[treatment.id]:
            refusals += judge.check_label(treatment, component)
            refusals += judge.check_listed(treatment, component.product, self.site.rulesets)
            refusals += judge.check_person(component.product, self.site.operations)
        if treatment.product is not None and self.no_rules:
            refusals.append(self.no_rules)
        return refusals

    def _find_no_rules(self, repaired: Repaired) -> str:
        """Return why no herbicide is planned at all; an empty text where the rules speak of water."""
        if not self.site.rulesets:
            return NO_RULES
        spoken = speaks_of_water(self.site.rulesets, repaired.layers["water"].frame["kind"])
        return "" if spoken else NO_WATER_RULE

    def prescribe(
        self, unit_id: str, unit: Mapping[str, Any]
    ) -> tuple[dict[str, Any], list[tuple[str, ...]], list[tuple[Any, ...]]]:
        """Return the columns that a unit gains, one option row for each treatment, and one for each product."""
        patch = self.patches[unit["patch_id"]]
        ground = self._make_ground(unit_id, unit, patch)
        records: tuple[int, ...] = unit["history"]
        found = "" if ground.counted_with or self.site.treatments is None else str(patch["found_empty"])
        look = plan_look(self.site, ground, found) if found else None
        verdicts = [self._judge(item, ground, records) for item in self.treatments]
        allowed = [verdict for verdict in verdicts if verdict.allowed]
        chosen = min(allowed, key=lambda verdict: verdict.treatment.preference, default=None)
        if chosen is not None:
            self._enter(chosen, ground)
            if unit_id in self.ledger.neighbours:
                self._shared.append((self._count, chosen, ground, records))
        self._count += 1
        amounts = find_amounts(chosen, unit, patch, self.stems[unit_id], self.site.operations)
        row = describe_unit(self.site, ground, float(unit["area_m2"]), patch, verdicts, chosen or look, amounts)
        row["allowed_use"] = self._find_use(ground)
        options = [describe_option(unit_id, verdict, chosen) for verdict in verdicts]
        return row, options, [] if chosen is None else list_products(unit_id, chosen, amounts.spray_l)

    def _make_ground(self, unit_id: str, unit: Mapping[str, Any], patch: Mapping[str, Any]) -> judge.Ground:
        owner = self.counted.get(unit["patch_id"], {})
        counted = next((name for name in unit["shared_with"] if name in owner), "") or owner.get("", "")
        return judge.Ground(
            unit_id=unit_id,
            patch_id=unit["patch_id"],
            species=patch["species"],
            growth_form=patch["growth_form"],
            in_water=bool(unit["in_water"]),
            bark_wet=bool(patch.get("bark_wet", False)),
            in_force=self.in_force.get(unit_id, ()),
            reach=self.reach.get(unit_id, {}),
            unruled=self.unruled.get(unit_id, ()),
            counted_with=counted,
            set_aside=unit["set_aside"],
        )

    def _judge(self, treatment: Treatment, ground: judge.Ground, records: tuple[int, ...]) -> Verdict:
        """Judge one treatment on one unit: every reason is collected, not only the first."""
        mismatch = self._find_mismatch(treatment, ground.species, ground.growth_form)
        if mismatch is not None:
            return mismatch
        found = str(self.patches[ground.patch_id]["found_empty"])
        if found:
            days = intersect_seasons(self.site.season, ()).days
            return Verdict(treatment, (refuse_for_look(found),), days)
        stand = self.stems[ground.unit_id].stand
        products = [component.product for component in self._components[treatment.id]]
        refusals = list(self._static[treatment.id])
        if ground.set_aside:
            refusals.insert(0, refuse_set_aside(ground.set_aside))
        if ground.counted_with:
            refusals.append(f"shared ground: treated and counted once, with patch {ground.counted_with}")
        if products:
            refusals += judge.check_kinds(ground, self.system)
        refusals += judge.check_place(treatment, products, ground)
        refusals += judge.check_stems(treatment, stand, self.system)
        windows = list(self._own_days[treatment.id])
        notes: list[str] = []
        forbidding = judge.find_forbidding(treatment, products, ground)
        refusals += judge.check_setbacks(forbidding, self.system)
        windows += judge.list_setback_days(self.site.season, forbidding, self.system)
        for product in products:
            windows += self._list_interval_days(product, ground, records)
        season = intersect_seasons(self.site.season, windows)
        years = list_label_years(self.site.season, season.days)
        parts, missing = self._limit(treatment, stand, ground, records, years)
        refusals += missing
        for part in parts:
            refusals += part.limited.refusals
            notes += part.limited.notes
        if season.refusal:
            refusals.append(season.refusal)
        limit = ground.reach.get(treatment.id)
        beyond = judge.check_reach(treatment, ground, self.system)
        return Verdict(
            treatment,
            tuple(dict.fromkeys([*([beyond] if beyond else []), *refusals])),
            season.days,
            parts,
            tuple(dict.fromkeys([*notes, *season.notes])),
            reached=ON_FOOT if limit is None else limit.reached,
            only_reach=bool(beyond) and not refusals,
        )

    def _find_mismatch(self, treatment: Treatment, species: str, growth_form: str) -> Verdict | None:
        """Return the verdict on a treatment that is not for a plant, None where it is; alike on every unit of it."""
        key = (treatment.id, species, growth_form)
        if key not in self._mismatches:
            text = judge.describe_mismatch(treatment, species, growth_form)
            suits = treatment.suits(species, growth_form)
            self._mismatches[key] = (
                None if suits else Verdict(treatment, (text,), intersect_seasons(self.site.season, ()).days)
            )
        return self._mismatches[key]

    def _list_interval_days(self, product: Product, ground: judge.Ground, records: Sequence[int]) -> list[NamedDays]:
        """Return the days that the interval of a product leaves open after every record of its active, of any year."""
        pieces = self.ledger.list_uses(key_active(product.active), records, ground.unit_id)
        dates = dict.fromkeys((use.date, use.text) for uses in pieces for use in uses if use.date is not None)
        return judge.list_interval_days(self.site.season, product, list(dates))

    def _limit(
        self,
        treatment: Treatment,
        stand: Stand,
        ground: judge.Ground,
        records: tuple[int, ...],
        years: Sequence[Span],
    ) -> tuple[tuple[Part, ...], list[str]]:
        """Find the doses of a tank and hold each active against the limits of each label year; the strictest binds."""
        components = self._components[treatment.id]
        tank = [judge.Dosed(item, find_dose(treatment, item.product, item.concentration, stand)) for item in components]
        missing = [f"no dose: {item.dose.missing}" for item in tank if item.dose.missing]
        limits: dict[str, Limited] = {}
        for active, own in {} if missing else group_by_active(tank).items():
            pieces = self.ledger.list_uses(active, records, ground.unit_id)
            counted = [[use for use in uses if use.falls_in(year)] for uses in pieces for year in years]
            found = [apply_limits(treatment, own, stand, uses, self.system) for uses in counted]
            limits[active] = find_strictest(found)
            for uses, limited in zip(counted, found, strict=True):
                self._flag_shared(ground, own[0].component.product.active, limited, uses)
        parts = (
            Part(item.component, item.dose, limits.get(key_active(item.component.product.active), Limited()))
            for item in tank
        )
        return tuple(parts), missing

    def _flag_shared(self, ground: judge.Ground, active: str, limited: Limited, uses: list[Use]) -> None:
        """Report shared ground where the doses of two patches add up to more than the year allows."""
        patches = sorted({use.patch_id for use in uses if use.patch_id})
        if math.isnan(limited.over) or not patches or ground.counted_with:
            return
        others = ", ".join(patches)
        total, most = show_dose(limited.over, self.system, unit=False), show_dose(limited.most, self.system)
        what = f"{active} {total} of {most} on the ground shared with {others}"
        finding = Finding("prescribe", "units", ground.unit_id, what, "not planned there; see the options of the unit")
        if finding not in self.findings:
            self.findings.append(finding)

    def _enter(self, chosen: Verdict, ground: judge.Ground) -> None:
        """Write the doses chosen into the ledger, those of one active in the tank as one use."""
        stems_per_ha = self._find_stems_per_ha(chosen, ground)
        for active, parts in group_by_active(chosen.parts).items():
            dose = chosen.sum_ae(parts)
            labels = tuple(part.component.product for part in parts)
            use = Use(
                active=active,
                ae_kg_per_ha=dose,
                stems_per_ha=stems_per_ha,
                text=f"patch {ground.patch_id} ({chosen.treatment.id}, {show_dose(dose, self.system)} planned)",
                product_ids=tuple(product.id for product in labels),
                products=labels,
                patch_id=ground.patch_id,
            )
            self.ledger.add(ground.unit_id, use)

    def settle_shared(self, rows: list[dict[str, Any]]) -> None:
        """Count on shared ground what was planned there later: the yearly limit is used by all of it."""
        for place, chosen, ground, records in self._shared:
            for active, parts in group_by_active(chosen.parts).items():
                products = [part.component.product for part in parts]
                own = Use(active, chosen.sum_ae(parts), self._find_stems_per_ha(chosen, ground), "")
                for uses in self.ledger.list_uses(active, records, ground.unit_id):
                    for year in list_label_years(self.site.season, chosen.days):
                        used = find_used_pct(products, own, [use for use in uses if use.falls_in(year)])
                        if not rows[place]["annual_limit_used_pct"] >= used > 0:
                            rows[place]["annual_limit_used_pct"] = used

    def _find_stems_per_ha(self, chosen: Verdict, ground: judge.Ground) -> float:
        """Return the stems that are treated [1/ha], 0 for ground methods."""
        stand = self.stems[ground.unit_id].stand
        by_stem = chosen.treatment.method in STEM_METHODS and stand.stems_per_ha > 0
        return stand.stems_per_ha * chosen.stem_share if by_stem else 0.0

    def _find_use(self, ground: judge.Ground) -> str:
        key = (ground.in_water, bool(ground.unruled), tuple(item.setback.id for item in ground.in_force))
        if key not in self._uses:
            self._uses[key] = NO_HERBICIDE if self.no_rules else find_allowed_use(self.site, ground)
        return self._uses[key]


def _list_components(treatment: Treatment, products: Mapping[str, Product]) -> list[judge.Component]:
    """Return the products of a treatment's tank with their shares, its own first."""
    if treatment.product is None:
        return []
    first = judge.Component(products[treatment.product], treatment.concentration or 0.0)
    return [first, *(judge.Component(products[item.product], item.concentration) for item in treatment.tank_mix)]


def _group_limits(reach: pd.DataFrame) -> dict[str, dict[str, judge.ReachLimit]]:
    """Return, for each unit, the treatments that are not worked there on foot."""
    grouped: dict[str, dict[str, judge.ReachLimit]] = {}
    row: Any
    for row in reach.itertuples():
        limit = judge.ReachLimit(row.reached, row.stands, float(row.reach_m), row.place, float(row.distance_m))
        grouped.setdefault(str(row.unit_id), {})[str(row.treatment_id)] = limit
    return grouped


def _group_setbacks(site: Site, nearness: pd.DataFrame) -> dict[str, tuple[judge.SetbackInForce, ...]]:
    rules: dict[str, tuple[Any, Setback]] = {setback.id: (ruleset, setback) for ruleset, setback in site.setbacks()}
    grouped: dict[str, list[judge.SetbackInForce]] = {}
    row: Any
    needed = ["unit_id", "setback_id", "feature", "achieved_m", "required_m"]
    for row in nearness.loc[nearness["in_force"].astype(bool), needed].itertuples():
        ruleset, setback = rules[str(row.setback_id)]
        item = judge.SetbackInForce(setback, ruleset, str(row.feature), float(row.achieved_m), float(row.required_m))
        grouped.setdefault(str(row.unit_id), []).append(item)
    return {unit_id: tuple(items) for unit_id, items in grouped.items()}


def _group_unruled(table: pd.DataFrame) -> dict[str, tuple[judge.Unruled, ...]]:
    grouped: dict[str, list[judge.Unruled]] = {}
    row: Any
    for row in table.itertuples():
        item = judge.Unruled(row.layer, row.kind, row.feature, float(row.achieved_m), float(row.looks_out_m))
        grouped.setdefault(str(row.unit_id), []).append(item)
    return {unit_id: tuple(items) for unit_id, items in grouped.items()}


def _find_counted(repaired: Repaired, order: list[Any], aside: Collection[str]) -> dict[str, dict[str, str]]:
    """Return, for each patch, the earlier patches of its species on shared ground; key "" for a patch drawn twice.

    Nothing is planned on a patch that was set aside, so that nothing is counted with it.
    """
    place = {name: number for number, name in enumerate(order)}
    counted: dict[str, dict[str, str]] = {}
    for row in repaired.overlaps.itertuples():
        if not row.same_species or row.patch_a in aside or row.patch_b in aside:
            continue
        first, second = sorted((str(row.patch_a), str(row.patch_b)), key=lambda name: place[name])
        counted.setdefault(second, {})[first] = first
        if row.likely_same:
            counted[second][""] = first
    return counted
