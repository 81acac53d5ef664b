"""In: units, treatments, products, rules. Out: `Prescribed`: every candidate's verdict, one chosen, its amounts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from tussock.base import days as day_tools
from tussock.base.columns import AREA, UnitSystem
from tussock.base.findings import Finding, findings_table
from tussock.base.records import Product, Setback, Treatment
from tussock.base.stages import Measured, Prescribed, Repaired, Site, Zoned
from tussock.base.text import show, show_dose
from tussock.prescribe import judge
from tussock.prescribe.amounts import Amounts, Chosen, find_amounts, share_stems
from tussock.prescribe.compliance import find_compliance
from tussock.prescribe.dose import Stand, find_dose
from tussock.prescribe.ledger import Ledger, Members, Use, open_ledger
from tussock.prescribe.limits import Limited, apply_limits
from tussock.prescribe.uses import find_allowed_use
from tussock.trade.methods import METHODS, offer_non_chemical

if TYPE_CHECKING:
    import pandas as pd

NO_RULES = "no rule set is loaded: a herbicide is not planned without setbacks; name one in [catalog] rules"


def prescribe_units(site: Site, repaired: Repaired, measured: Measured, zoned: Zoned) -> Prescribed:
    """Judge every treatment on every unit, choose one by preference, and find its amounts.

    Parameters
    ----------
    site
        Treatments, products, rule sets, season, units of the texts.
    repaired
        Earlier applications and overlaps.
    measured
        Patches with their areas and stems.
    zoned
        Units with the setbacks in force.

    Returns
    -------
    Prescribed
        ``options`` has one row for each unit and treatment. The lowest allowed preference is chosen.
    """
    import pandas as pd

    desk = _Desk(site, repaired, measured, zoned)
    rows, options = [], []
    for unit_id, unit in zoned.units.iterrows():
        row, verdicts = desk.prescribe(str(unit_id), unit)
        rows.append(row)
        options += verdicts
    added = pd.DataFrame(rows, index=zoned.units.index)
    units = zoned.units.join(added)
    table = pd.DataFrame(options, columns=["unit_id", "treatment_id", "verdict", "reason"])
    compliance = find_compliance(site, zoned.nearness, units)
    return Prescribed(units, table, compliance, findings_table(desk.findings))


class _Desk:
    """Everything that the judge needs at hand, and the ledger that he writes in."""

    def __init__(self, site: Site, repaired: Repaired, measured: Measured, zoned: Zoned) -> None:
        self.site = site
        self.system: UnitSystem = site.options.units
        self.treatments: tuple[Treatment, ...] = site.treatments or ()
        history = repaired.layers.get("history")
        self.ledger: Ledger = open_ledger(None if history is None else history.frame, self.system)
        self.patches: dict[str, dict[str, Any]] = measured.patches.drop(columns="geometry").to_dict("index")
        self.stems = share_stems(measured.patches, zoned.units)
        self.in_force = _group_setbacks(site, zoned.nearness)
        self.nearness = zoned.nearness
        self.counted = _find_counted(repaired, list(self.patches))
        self.findings: list[Finding] = []
        self._static: dict[str, list[str]] = {item.id: self._check_treatment(item) for item in self.treatments}
        self._uses: dict[tuple[Any, ...], str] = {}

    def _check_treatment(self, treatment: Treatment) -> list[str]:
        """Refusals that hold on every unit: no rules, label, listing."""
        product = self._product(treatment)
        if product is None:
            return []
        refusals = judge.check_label(treatment, product)
        refusals += judge.check_listed(treatment, product, self.site.rulesets)
        return refusals if self.site.rulesets else [*refusals, NO_RULES]

    def _product(self, treatment: Treatment) -> Product | None:
        return None if treatment.product is None else self.site.products[treatment.product]

    def prescribe(self, unit_id: str, unit: pd.Series[Any]) -> tuple[dict[str, Any], list[tuple[str, str, str, str]]]:
        """Return the columns that a unit gains, and one option row for each treatment."""
        patch = self.patches[unit["patch_id"]]
        ground = self._make_ground(unit_id, unit, patch)
        stand = _make_stand(patch)
        records = [row for row in unit["history"].split(";") if row]
        members: Members = frozenset({unit["patch_id"], *(name for name in unit["shared_with"].split(";") if name)})
        judged = [self._judge(item, ground, stand, records, members) for item in self.treatments]
        best = min(
            (pair for pair in judged if pair[0].allowed), key=lambda pair: pair[0].treatment.preference, default=None
        )
        options = [_option(unit_id, verdict, None if best is None else best[0]) for verdict, _ in judged]
        if best is not None:
            self._enter(best, ground, members)
        chosen = None if best is None else Chosen(best[0], best[1], self._product(best[0].treatment))
        amounts = find_amounts(chosen, unit, patch, self.stems.get(unit_id, 0), self.site.operations)
        row = self._describe(ground, unit, [verdict for verdict, _ in judged], chosen, amounts)
        return row, options

    def _make_ground(self, unit_id: str, unit: pd.Series[Any], patch: Mapping[str, Any]) -> judge.Ground:
        shared = [name for name in unit["shared_with"].split(";") if name]
        owner = self.counted.get(unit["patch_id"], {})
        counted = next((name for name in shared if name in owner), "") or owner.get("", "")
        return judge.Ground(
            unit_id=unit_id,
            patch_id=unit["patch_id"],
            species=patch["species"],
            growth_form=patch["growth_form"],
            in_water=bool(unit["in_water"]),
            in_force=self.in_force.get(unit_id, ()),
            beyond_m=tuple(float(value) for value in unit["beyond_m"].split(";") if value),
            standing=unit["standing"],
            standing_m=float(unit["standing_m"]),
            counted_with=counted,
        )

    def _judge(
        self, treatment: Treatment, ground: judge.Ground, stand: Stand, records: list[str], members: Members
    ) -> tuple[judge.Verdict, Limited]:
        """Judge one treatment on one unit: every reason is collected, not only the first."""
        days = judge.treatment_days(treatment)
        if not treatment.suits(ground.species, ground.growth_form):
            text = judge.describe_mismatch(treatment, ground.species, ground.growth_form)
            return judge.Verdict(treatment, (text,), days), Limited()
        refusals = list(self._static[treatment.id])
        if ground.counted_with:
            refusals.append(f"shared ground: treated and counted once, with patch {ground.counted_with}")
        product = self._product(treatment)
        throw_m = treatment.throw_m if treatment.throw_m is not None else METHODS[treatment.method].throw_m
        refusals += judge.check_place(product, ground, throw_m, self.system)
        if product is None:
            return judge.Verdict(treatment, tuple(refusals), days), Limited()
        closed, notes, days = judge.check_setbacks(treatment, product, ground, days, self.system)
        dose = find_dose(treatment, product, stand)
        limited = Limited()
        if dose.missing:
            refusals.append(f"no dose: {dose.missing}")
        else:
            uses = self.ledger.list_uses(product.active, records, members, ground.patch_id)
            limited = apply_limits(treatment, product, dose, stand, uses, self.system)
            self._flag_shared(ground, product, limited, members)
        refusals += closed + list(limited.refusals)
        notes += [*limited.notes, *([dose.assumed] if dose.assumed else [])]
        return judge.Verdict(treatment, tuple(refusals), days, dose, tuple(notes)), limited

    def _flag_shared(self, ground: judge.Ground, product: Product, limited: Limited, members: Members) -> None:
        """Report shared ground where the doses of two patches add up to more than the year allows."""
        limit = product.limit_per_year_kg_per_ha
        if math.isnan(limited.over) or len(members) == 1 or limit is None or ground.counted_with:
            return
        others = sorted(members - {ground.patch_id})
        planned = [use for _, _, use in self.ledger.planned.get(members, []) if use.active == product.active.casefold()]
        if not planned:
            return
        what = (
            f"{product.active} {show_dose(limited.over, self.system, unit=False)} of "
            f"{show_dose(limit, self.system)} on the ground shared with {', '.join(others)}"
        )
        finding = Finding("prescribe", "units", ground.unit_id, what, "refused there; see the options of the unit")
        if finding not in self.findings:
            self.findings.append(finding)

    def _enter(self, best: tuple[judge.Verdict, Limited], ground: judge.Ground, members: Members) -> None:
        """Write the dose chosen into the ledger."""
        verdict, limited = best
        product = self._product(verdict.treatment)
        if product is None:
            return
        dose = verdict.dose.ae_kg_per_ha * limited.share
        text = f"patch {ground.patch_id} ({verdict.treatment.id}, {show_dose(dose, self.system)} planned)"
        density = _make_stand(self.patches[ground.patch_id]).stems_per_ha * limited.share
        stems_per_ha = 0.0 if math.isnan(verdict.dose.spray_l_per_stem) else density
        use = Use(product.active.casefold(), dose, stems_per_ha, text, limited.closes)
        self.ledger.add(ground.patch_id, ground.unit_id, members, use)

    def _describe(
        self,
        ground: judge.Ground,
        unit: pd.Series[Any],
        verdicts: list[judge.Verdict],
        chosen: Chosen | None,
        amounts: Amounts,
    ) -> dict[str, Any]:
        product = None if chosen is None else chosen.product
        treatment = None if chosen is None else chosen.verdict.treatment
        first, last = _find_dates(chosen, self.site.season)
        return {
            "treatment_id": "" if treatment is None else treatment.id,
            "method": "" if treatment is None else treatment.method,
            "delivery": "" if treatment is None else treatment.delivery,
            "product_id": "" if product is None else product.id,
            "active": "" if product is None else product.active,
            **amounts.columns(),
            "annual_limit_used_pct": math.nan if chosen is None else chosen.limited.used_pct,
            "season_from": first,
            "season_to": last,
            "status": "no_option" if chosen is None else "planned",
            "reason": self._find_reason(ground, unit, verdicts, chosen, amounts),
            "allowed_use": self._find_use(ground),
            "cautions": _find_cautions(ground),
            "non_chemical": _find_non_chemical(ground, verdicts),
            "check_in_field": "",
            "carrier": "" if product is None or treatment is None else judge.find_carrier(treatment),
            "concentration_pct": math.nan
            if product is None or treatment is None
            else (treatment.concentration or 0) * 100,
            "area_counted_with": ground.counted_with,
        }

    def _find_reason(
        self,
        ground: judge.Ground,
        unit: pd.Series[Any],
        verdicts: list[judge.Verdict],
        chosen: Chosen | None,
        amounts: Amounts,
    ) -> str:
        if chosen is not None:
            notes = list(chosen.verdict.notes)
            if amounts.stems_left > 0:
                notes.append(f"{amounts.stems_left:.0f} stems left over this year")
            if math.isnan(self.patches[ground.patch_id]["cover_pct"]) and math.isnan(
                chosen.verdict.dose.spray_l_per_stem
            ):
                notes.append("cover is not known: the dose stands, the amounts stay blank")
            return "; ".join(notes)
        if ground.counted_with:
            area = show(unit["area_m2"], AREA, self.system)
            return f"{area} of shared ground: treated and counted once, with patch {ground.counted_with}"
        if self.site.treatments is None:
            return "no treatments are loaded: units and setbacks only"
        suiting = [verdict for verdict in verdicts if verdict.treatment.suits(ground.species, ground.growth_form)]
        if not suiting:
            plant = ground.species or "this plant"
            return f"no treatment in the catalog is for {plant} ({ground.growth_form or 'growth form unknown'})"
        texts = [f"{verdict.treatment.id}: {verdict.refusals[0]}" for verdict in suiting]
        texts.sort(key=lambda text: "out of reach" not in text)
        return "; ".join(texts)

    def _find_use(self, ground: judge.Ground) -> str:
        key = (ground.in_water, tuple(item.setback.id for item in ground.in_force))
        if key not in self._uses:
            self._uses[key] = find_allowed_use(self.site, ground)
        return self._uses[key]


def _option(unit_id: str, verdict: judge.Verdict, best: judge.Verdict | None) -> tuple[str, str, str, str]:
    if not verdict.allowed:
        return unit_id, verdict.treatment.id, "refused", "; ".join(verdict.refusals)
    if verdict is best:
        text = f"lowest preference ({verdict.treatment.preference}) of those allowed"
        return unit_id, verdict.treatment.id, "chosen", "; ".join([text, *verdict.notes])
    text = f"allowed, preference {verdict.treatment.preference}"
    return unit_id, verdict.treatment.id, "allowed", "; ".join([text, *verdict.notes])


def _make_stand(patch: Mapping[str, Any]) -> Stand:
    area_ha = patch["area_m2"] / 10_000
    density = patch["stems_per_ha"]
    if not math.isnan(patch["stem_count"]):
        density = patch["stem_count"] / area_ha
    return Stand(density, patch["stem_diameter_m"], patch["cover_pct"] / 100)


def _group_setbacks(site: Site, nearness: pd.DataFrame) -> dict[str, tuple[judge.SetbackInForce, ...]]:
    rules: dict[str, tuple[Any, Setback]] = {setback.id: (ruleset, setback) for ruleset, setback in site.setbacks()}
    grouped: dict[str, list[judge.SetbackInForce]] = {}
    row: Any
    for row in nearness[nearness["in_force"].astype(bool)].itertuples():
        ruleset, setback = rules[str(row.setback_id)]
        item = judge.SetbackInForce(
            setback,
            ruleset,
            str(row.feature),
            float(row.achieved_m),
            float(row.required_m),  # type: ignore[arg-type]
        )
        grouped.setdefault(str(row.unit_id), []).append(item)
    return {unit_id: tuple(items) for unit_id, items in grouped.items()}


def _find_counted(repaired: Repaired, order: list[str]) -> dict[str, dict[str, str]]:
    """Return, for each patch, the earlier patches of its species on shared ground; key "" for a patch drawn twice."""
    place = {name: number for number, name in enumerate(order)}
    counted: dict[str, dict[str, str]] = {}
    for row in repaired.overlaps.itertuples():
        if not row.same_species:
            continue
        first, second = sorted((str(row.patch_a), str(row.patch_b)), key=lambda name: place[name])
        counted.setdefault(second, {})[first] = first
        if row.likely_same:
            counted[second][""] = first
    return counted


def _find_dates(chosen: Chosen | None, season: int) -> tuple[str, str]:
    if chosen is None:
        return "", ""
    run = day_tools.longest_run(chosen.verdict.days)
    if run is None:
        return "", ""
    window = chosen.verdict.treatment.season
    if window is None and chosen.verdict.days.all():
        return f"{season}-01-01", f"{season}-12-31"
    first, last = day_tools.run_dates(run, season)
    return first.isoformat(), last.isoformat()


def _find_cautions(ground: judge.Ground) -> str:
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
    return "; ".join(dict.fromkeys(texts))


def _find_non_chemical(ground: judge.Ground, verdicts: list[judge.Verdict]) -> str:
    ways = [item.treatment for item in verdicts if item.allowed and item.treatment.product is None]
    if ways:
        return "in the catalog: " + ", ".join(f"{way.id} ({way.method})" for way in ways)
    if not ground.growth_form:
        return "pull, dig or cut, by growth form"
    return f"not in the catalog: {offer_non_chemical(ground.growth_form)}"
