"""In: the kinds of a plan and the rules that run from them. Out: the rows of the report that tell them."""

from __future__ import annotations

from typing import Any

from tussock.base import columns as c
from tussock.base.kinds import NO_RULE
from tussock.base.stages import PlanTables
from tussock.base.text import show_length
from tussock.deliver.sheets_words import read_si

#: What the two tables are called in every form of the report.
KINDS_TITLE = "Kinds of water and receptors, and the rules that run from them"
UNRULED_TITLE = "Units near a kind that no loaded rule names: no herbicide there"


def list_kind_rows(plan: PlanTables) -> list[dict[str, Any]]:
    """Return every mapped kind with its rules, one row each."""
    if plan.kinds is None:
        return []
    rows = []
    for _, own in plan.kinds.groupby(["layer", "kind_given", "kind"], sort=False):
        first = own.to_dict("records")[0]
        count, bare = int(first["feature_count"]), int(first["unnamed_count"])
        named: Any = own[own["setback_id"] != ""].itertuples()
        rows.append(
            {
                "layer": first["layer"],
                "given": first["kind_given"] or "(no kind)",
                "taken": first["kind"] if first["kind"] != first["kind_given"] else "",
                "count": str(count),
                "rules": "; ".join(f"{row.setback_id} ({row.effect}, {row.named_by})" for row in named),
                "state": first["state"] + (f" ({bare} of {count})" if 0 < bare < count else ""),
                "bare": first["state"] == NO_RULE,
            }
        )
    return rows


def list_unruled_rows(plan: PlanTables) -> list[tuple[str, ...]]:
    """Return the units near a kind without a rule: unit, layer, kind, feature, distance, how far is looked."""
    if plan.unruled is None:
        return []
    system = plan.site.options.units
    rows = []
    for row in plan.unruled.to_dict("records"):
        cells = {str(name): value for name, value in row.items()}
        lengths = [show_length(read_si(cells, name, c.LENGTH, system), system) for name in ("achieved", "looks_out")]
        words = (str(row[name]) for name in ("unit_id", "layer", "kind", "feature"))
        rows.append((*words, *lengths))
    return rows
