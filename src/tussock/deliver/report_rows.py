"""In: the compliance table. Out: its rows as a reviewer reads them: counted, the worst first, clear ones by patch."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.kinds import speaks_of_water
from tussock.base.stages import PlanTables
from tussock.base.text import show_count, show_length
from tussock.base.verdicts import CLEAR, FAILS, FIELD_CHECK, MEETS, NOT_APPLICABLE, NOT_CHECKED, TO_DO
from tussock.deliver.sheets_words import is_known, read_si
from tussock.wording.outlines import name_set_aside


@dataclass(frozen=True)
class Verdict:
    """A verdict of the compliance table: how it looks and what it means for the reviewer."""

    name: str
    look: str
    meaning: str


#: The worst first.
VERDICTS: Final = (
    Verdict(FAILS, "bad", "a treatment is planned that a rule in force there forbids: do not approve"),
    Verdict(NOT_CHECKED, "bad", "the rule stands in a set that is a draft: it can refuse, it cannot pass anything"),
    Verdict(
        FIELD_CHECK, "doubt", "the distance lies within the mapping error or rests on an assumed width: measure there"
    ),
    Verdict(TO_DO, "task", "a permit, a notice or a place to keep mixing away from: see the list of tasks"),
    Verdict(
        MEETS,
        "good",
        "as mapped, with the stated error, the treatment planned is not among what the rule forbids there",
    ),
    Verdict(NOT_APPLICABLE, "plain", "the unit has no work that the rule is about, or the rule asks for nothing there"),
)
_RANK: Final = {verdict.name: rank for rank, verdict in enumerate(VERDICTS)}
_LOOK: Final = {verdict.name: verdict.look for verdict in VERDICTS}
#: The part of a note that tells the distance along the slope.
_SLOPE: Final = re.compile(r"[\d.,]+ (?:ft|m) along the slope")
_DECIDE: Final = (FAILS, NOT_CHECKED, FIELD_CHECK)


def sum_verdicts(plan: PlanTables) -> list[dict[str, Any]]:
    """Return each verdict with the number of its rows and of its units, the worst first."""
    table = plan.compliance
    rows = []
    known = [(verdict.name, verdict.look, verdict.meaning) for verdict in VERDICTS]
    other = [
        (str(name), "bad", "not a verdict that this page knows")
        for name in table["verdict"].unique()
        if name not in _RANK
    ]
    for name, look, meaning in [*known, *other]:
        own = table[table["verdict"] == name]
        rows.append(
            {"name": name, "look": look, "meaning": meaning, "rows": len(own), "units": own["unit_id"].nunique()}
        )
    return rows


def summarise(plan: PlanTables) -> list[str]:
    """Return what the counts mean, in a few sentences."""
    table = plan.compliance
    count = {verdict.name: int((table["verdict"] == verdict.name).sum()) for verdict in VERDICTS}
    aside = [f"{text[0].upper()}{text[1:]}." for text in (name_set_aside(plan.patches),) if text]
    if not plan.site.rulesets:
        return ["No rule set was loaded: nothing was checked against rules, and no herbicide is planned.", *aside]
    unspoken = not speaks_of_water(plan.site.rulesets, plan.features["water"]["kind"])
    drafts = sum(ruleset.ruleset.status == "draft" for ruleset in plan.site.rulesets)
    lines = [f"{len(table):,} pairs of unit and rule were measured. {count[MEETS]:,} of them: {MEETS}."]
    if unspoken:
        lines.append("No loaded rule speaks of water: no herbicide is planned.")
    if plan.unruled is not None and len(plan.unruled):
        near = plan.unruled["unit_id"].nunique()
        lines.append(f"No herbicide is planned near kinds that no loaded rule names: {show_count(near, 'unit')}.")
    if count[FAILS]:
        lines.insert(0, f"{count[FAILS]:,} pairs do not meet the loaded rules. Do not approve this plan.")
    else:
        lines.append("No pair was found that does not meet the loaded rules.")
    if count[FIELD_CHECK]:
        lines.append(f"{count[FIELD_CHECK]:,} pairs cannot be told from the map and need a check in the field.")
    if drafts:
        lines.append(
            f"DRAFT: {drafts} of {len(plan.site.rulesets)} rule sets are drafts; {count[NOT_CHECKED]:,} pairs count as "
            "not checked."
        )
    if count[TO_DO]:
        lines.append(f"{count[TO_DO]:,} pairs ask for a permit, a notice or a place to keep mixing away from.")
    return [*lines, *aside, "This page speaks of the loaded rules only; other laws, permits and the label still bind."]


def list_rows_by_weight(plan: PlanTables, part: str) -> list[dict[str, str]]:
    """Return rows of the compliance table, the worst first, then by the smallest margin.

    Parameters
    ----------
    plan
        With its compliance table.
    part
        ``"decide"``: rows that do not meet, are not checked or need a field check. ``"in force"``: rows that meet
        although the rule is in force.
    """
    table = plan.compliance
    if part == "decide":
        chosen = table[table["verdict"].isin(_DECIDE) | ~table["verdict"].isin(list(_RANK))]
    else:
        chosen = table[(table["verdict"] == MEETS) & (table["distance_verdict"] != CLEAR)]
    rows = [{str(name): value for name, value in row.items()} for row in chosen.to_dict("records")]
    rows.sort(key=lambda row: (_RANK.get(str(row["verdict"]), -1), _margin(plan, row)))
    return [_describe_row(plan, row) for row in rows]


def group_clear_rows(plan: PlanTables) -> list[dict[str, Any]]:
    """Return the other rows by patch: clear of the rule, not applicable, or listed as a task."""
    table = plan.compliance
    shown = table["verdict"].isin(_DECIDE) | ~table["verdict"].isin(list(_RANK))
    shown |= (table["verdict"] == MEETS) & (table["distance_verdict"] != CLEAR)
    groups: dict[str, list[dict[str, str]]] = {}
    for row in table[~shown].to_dict("records"):
        groups.setdefault(str(row["patch_id"]), []).append(_describe_row(plan, row))
    return [{"patch": patch, "rows": rows} for patch, rows in groups.items()]


@dataclass(frozen=True)
class PairGroup:
    """Pairs that differ in nothing but unit, distance and feature."""

    rows: list[dict[str, str]]

    @property
    def nearest(self) -> dict[str, str]:
        """The pair with the least distance; the first where none is known."""
        return min(self.rows, key=lambda row: float(row["achieved"] or "inf"))


def split_met_rows(
    met: list[dict[str, str]], others: list[dict[str, str]]
) -> tuple[list[dict[str, str]], list[PairGroup]]:
    """Return the pairs in force with a distance, row by row, and all others in groups.

    Parameters
    ----------
    met
        Pairs in force that the plan meets.
    others
        All pairs that are no case to decide.
    """
    near = [row for row in met if row["achieved"]]
    groups: dict[tuple[str, ...], list[dict[str, str]]] = {}
    for row in [*(row for row in met if not row["achieved"]), *others]:
        # on the whole site the note names the treatment of each unit, with a slope it holds a figure of its own
        whole = row["verdict"] == MEETS and not row["achieved"]
        parts = [] if whole else row["note"].split("; ")
        own = [part.partition(" (")[0] for part in parts if _SLOPE.match(part)]
        note = "; ".join(part for part in parts if not _SLOPE.match(part))
        key = tuple(row[name] for name in ("rule", "draft", "required", "error", "verdict", "source"))
        feature = "; ".join([row["feature"], *own])
        groups.setdefault((*key, note), []).append(row | {"note": note, "feature": feature})
    return near, [PairGroup(groups[key]) for key in sorted(groups, key=lambda key: (key[0], _RANK.get(key[4], -1)))]


def _margin(plan: PlanTables, row: dict[str, Any]) -> float:
    system = plan.site.options.units
    margin = read_si(row, "achieved", c.LENGTH, system) - read_si(row, "required", c.LENGTH, system)
    return margin if math.isfinite(margin) else math.inf  # a rule for the whole site comes last


def _describe_row(plan: PlanTables, row: dict[Any, Any]) -> dict[str, str]:
    system = plan.site.options.units
    numbers = {
        name: read_si({str(key): value for key, value in row.items()}, name, c.LENGTH, system)
        for name in ("required", "achieved", "error")
    }
    shown = {
        name: show_length(size, system).split()[0] if math.isfinite(size) else "" for name, size in numbers.items()
    }
    drafts = {ruleset.title for ruleset in plan.site.rulesets if ruleset.ruleset.status == "draft"}
    return {
        "unit": str(row["unit_id"]),
        "rule": str(row["setback_id"]),
        **shown,
        "distance": str(row["distance_verdict"]),
        "verdict": str(row["verdict"]),
        "look": _LOOK.get(str(row["verdict"]), "bad"),
        "feature": str(row["feature"]),
        "note": str(row["note"]) if is_known(row["note"]) else "",
        "source": str(row["source"]),
        "draft": "DRAFT" if str(row["ruleset"]) in drafts else "",
    }
