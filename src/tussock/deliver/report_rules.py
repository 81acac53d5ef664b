"""In: the rule sets of a plan. Out: what was loaded, in words: sets, rules, combinations listed, what is to be done."""

from __future__ import annotations

import math
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.records import FeatureFilter, RulesetHeader, Setback
from tussock.base.stages import PlanTables
from tussock.base.text import show, show_length, show_validity, show_window
from tussock.base.verdicts import CLEAR, TO_DO
from tussock.deliver.permits import list_permits
from tussock.deliver.sheets_words import figures, read_si
from tussock.wording.rules import describe_effect, describe_task, describe_work, name_task


def list_rulesets(plan: PlanTables) -> list[dict[str, Any]]:
    """Return every rule set that was loaded."""
    rows = []
    for ruleset in plan.site.rulesets:
        header = ruleset.ruleset
        draft = header.status == "draft"
        rows.append(
            {
                "title": header.title,
                "authority": header.authority,
                "valid": show_validity(header.valid_from, header.valid_to),
                "status": "DRAFT: not checked" if draft else header.status,
                "draft": draft,
                "read_by": header.read_by or "not stated",
                "source": header.source,
                "rules": len(ruleset.setback),
                "listing": "; ".join(_list_answers(header)),
                "out_of_date": header.title in plan.site.options.accept_out_of_date,
            }
        )
    return rows


def _list_answers(header: RulesetHeader) -> list[str]:
    """Return what a set says of combinations and kinds that it has no rule for."""
    words = ["what it does not list is refused"] if header.listed_only else []
    words += [f"{given} is taken as {kind}" for given, kind in header.kinds.items()]
    return words + ([f"no rule wanted for {', '.join(header.no_rule_for)}"] if header.no_rule_for else [])


def list_rules(plan: PlanTables) -> list[dict[str, Any]]:
    """Return every rule: its distance, what it runs from, what it means, and where it is in force."""
    table = plan.compliance
    measured = table.groupby("setback_id")["unit_id"].nunique()
    in_force = table[table["distance_verdict"] != CLEAR].groupby("setback_id")["unit_id"].nunique()
    rows = []
    for ruleset, setback in plan.site.setbacks():
        count = int(measured.get(setback.id, 0))
        where = f"{int(in_force.get(setback.id, 0))} of {count} units" if count else "no such feature in the layers"
        rows.append(
            {
                "id": setback.id,
                "ruleset": ruleset.title,
                "draft": ruleset.ruleset.status == "draft",
                "distance": describe_reach(plan, setback),
                "features": describe_features(setback.source_filter),
                "means": describe_effect(setback),
                "season": show_window(setback.season) if setback.season else "all year",
                "conditions": list(setback.conditions),
                "datum": setback.datum or "",
                "in_force": where,
                "source": setback.source,
            }
        )
    return rows


def describe_reach(plan: PlanTables, setback: Setback) -> str:
    """Return the distance of a rule in words."""
    system = plan.site.options.units
    if setback.distance == "anywhere":
        return "anywhere on the site"
    if setback.distance_m is None:
        column = getattr(setback.distance, "column", "")
        return f"{getattr(setback.distance, 'times', 1):g} x {column} of each feature"
    size = f"{figures(setback.distance_m / c.LENGTH.size(system), 4)} {c.LENGTH.suffix(system)}"
    words = "on the feature itself" if setback.distance_m == 0 else size
    return f"{words}, along the slope" if setback.measure == "slope" and setback.distance_m > 0 else words


_NAMES: Final = {"water": "water", "receptors": "receptors"}


def describe_features(wanted: FeatureFilter | None) -> str:
    """Return the features that a rule runs from, in words."""
    if wanted is None:
        return "the whole site"
    kinds = ", ".join(wanted.kind) or f"any {_NAMES[wanted.layer].rstrip('s')}"
    words = kinds if wanted.state is None else f"{kinds} ({wanted.state})"
    return f"{words}, only {', '.join(wanted.name)}" if wanted.name else words


def list_listed(plan: PlanTables) -> list[tuple[str, str, str]]:
    """Return the combinations that listing rule sets permit: set, combination, source."""
    return [
        (ruleset.title, describe_work(row), row.source)
        for ruleset in plan.site.rulesets
        if ruleset.ruleset.listed_only
        for row in ruleset.listed
    ]


def list_counted(plan: PlanTables) -> list[dict[str, str]]:
    """Return permits and notices with what their rule sets count: water area, shoreline, earlier applications."""
    system = plan.site.options.units
    rows = []
    for row in list_permits(plan).to_dict("records"):
        water = read_si({str(key): value for key, value in row.items()}, "treated_water", c.AREA, system)
        shore = read_si({str(key): value for key, value in row.items()}, "shoreline", c.LENGTH, system)
        repeats = {"counted": "the same ground counts each time", "once": "the same ground counts once"}
        rows.append(
            {
                "kind": "permit" if row["effect"] == "permit" else "notice",
                "id": str(row["setback_id"]),
                "what": str(row["what"]),
                "units": str(row["unit_count"]),
                "water": show(water, c.AREA, system) if math.isfinite(water) else "not counted",
                "shore": show_length(shore, system) if math.isfinite(shore) else "not counted",
                "repeats": repeats.get(str(row["repeats"]), ""),
                "earlier": str(row["earlier_count"]) if row["repeats"] else "",
                "source": str(row["source"]),
            }
        )
    return rows


def list_tasks(plan: PlanTables) -> list[dict[str, Any]]:
    """Return permits, notices and places to keep mixing away from, each with its units and features."""
    table = plan.compliance
    due = table[table["verdict"] == TO_DO]
    rows = []
    for ruleset, setback in plan.site.setbacks():
        own = due[due["setback_id"] == setback.id]
        if not len(own):
            continue
        rows.append(
            {
                "kind": name_task(setback),
                "draft": ruleset.ruleset.status == "draft",
                "id": setback.id,
                "text": describe_task(setback),
                "units": ", ".join(dict.fromkeys(own["unit_id"].astype(str))),
                "count": own["unit_id"].nunique(),
                "features": ", ".join(dict.fromkeys(own["feature"].astype(str))),
                "source": setback.source,
            }
        )
    return rows
