"""In: a plan. Out: everything that the page for the reviewer says, as plain texts in the order they are read."""

from __future__ import annotations

import math
from typing import Any, Final

from tussock import __version__
from tussock.base import columns as c
from tussock.base.approval import say_approved
from tussock.base.approved import STATES
from tussock.base.stages import PlanTables
from tussock.base.text import show_count, show_dose, show_length, show_season
from tussock.deliver import cautions as said
from tussock.deliver.earlier import list_counted_records
from tussock.deliver.report_kinds import KINDS_TITLE, UNRULED_TITLE, list_kind_rows, list_unruled_rows
from tussock.deliver.report_maps import LEGEND, list_maps
from tussock.deliver.report_rows import group_clear_rows, list_rows_by_weight, sum_verdicts, summarise
from tussock.deliver.report_rules import list_counted, list_listed, list_rules, list_rulesets, list_tasks
from tussock.deliver.report_totals import GroundTotal, find_active_totals, find_ground_totals
from tussock.deliver.sheets_words import figures, is_known, list_closures, split_reasons

_MISMATCH: Final = "not for this plant"
#: A limit that is used to this share is shown in the open, the others in a list to unfold [%].
_SHOW_FROM_PCT: Final = 75.0


def describe_plan(plan: PlanTables) -> dict[str, Any]:
    """Return the content of the page.

    Parameters
    ----------
    plan
        A whole plan.

    Returns
    -------
    dict
        Texts and lists of texts; the template sets them, and escapes them.
    """
    system = plan.site.options.units
    maps, left = list_maps(plan)
    return {
        "site": plan.site.name,
        "season": str(plan.site.season),
        "version": __version__,
        "paper": "letter" if system == "us" else "A4",
        "length": c.LENGTH.suffix(system),
        "area": c.AREA.suffix(system),
        "dose": f"{c.DOSE.suffix(system).split('_')[0]} ae/{c.AREA.suffix(system)}",
        "about": _list_about(plan),
        "not_ready": said.NOT_READY,
        "summary": summarise(plan),
        "verdicts": sum_verdicts(plan),
        "decide": list_rows_by_weight(plan, "decide"),
        "met": list_rows_by_weight(plan, "in force"),
        "clear": group_clear_rows(plan),
        "tasks": list_tasks(plan),
        "permits": list_counted(plan),
        "maps": maps,
        "maps_left": left,
        "maps_legend": LEGEND,
        "rulesets": list_rulesets(plan),
        "rules": list_rules(plan),
        "listed": list_listed(plan),
        "kinds_title": KINDS_TITLE,
        "kinds": list_kind_rows(plan),
        "unruled_title": UNRULED_TITLE,
        "unruled": list_unruled_rows(plan),
        "closures": list_closures(plan.site.options.closures),
        "refused": _list_refused_units(plan),
        "candidates": _list_candidates(plan),
        **_describe_totals(plan),
        "overlaps": _list_overlaps(plan),
        "findings": _list_findings(plan),
        "cautions": said.list_cautions(plan),
        "blanks": ["Reviewed by (qualified person)", "Office, or licence held", "Date of the review", "Signature"],
        "inputs": [(item.role, item.name, item.sha256) for item in plan.site.documents],
    }


def _list_about(plan: PlanTables) -> list[tuple[str, str]]:
    crs = plan.crs
    chosen = "chosen for the site" if crs.chosen == "auto" else "named in the site file"
    cells = "" if crs.cells == 1 else f", in {crs.cells} cells"
    accuracy = [
        f"{name} {_show_accuracy(plan, layer.accuracy_m)}"
        for name, layer in plan.site.layers.items()
        if name in ("infestations", "water", "receptors")
    ]
    return [
        ("Site", plan.site.name),
        ("Season", show_season(plan.site.season)),
        (
            "Patches and units",
            f"{show_count(len(plan.patches), 'patch')}, {show_count(len(plan.units), 'treatment unit')}",
        ),
        ("Measured in", f"{crs.name} ({chosen}{cells})"),
        (
            "Distortion",
            f"distances true to {crs.distance_error:.1e}, areas to {crs.area_error:.1e} (relative) over the site",
        ),
        ("Layers drawn in", plan.patches.crs.name),
        ("Positional error", "; ".join(accuracy)),
        ("Approval", _describe_approval(plan)),
        ("Made with", f"Tussock {__version__}"),
    ]


def _describe_approval(plan: PlanTables) -> str:
    """Say what approval the patches were compared with, how far it is proven, and how many are as approved."""
    approval = plan.site.approval
    if approval is None:
        return "none was given: no patch counts as approved"
    counts = plan.patches["approval"].value_counts()
    shown = "; ".join(f"{state}: {counts[state]}" for state in STATES if state in counts.index)
    return f"the file {say_approved(approval)}; patches {shown}; each change stands under Findings"


def _show_accuracy(plan: PlanTables, accuracy_m: float | None) -> str:
    return "not stated, 0 taken" if accuracy_m is None else show_length(accuracy_m, plan.site.options.units)


def _list_refused_units(plan: PlanTables) -> list[dict[str, Any]]:
    """Return the units without a treatment, with the reasons that decided it."""
    area = f"area_{c.AREA.suffix(plan.site.options.units)}"
    open_units = plan.units[plan.units["status"] != "planned"]
    return [
        {
            "unit": row["unit_id"],
            "area": figures(float(row[area])),
            "use": row["allowed_use"] if is_known(row["allowed_use"]) else "",
            "reasons": split_reasons(row["reason"], [item.id for item in plan.site.treatments or ()]),
            "other_way": row["non_chemical"] if is_known(row["non_chemical"]) else "",
        }
        for row in open_units.drop(columns="geometry").to_dict("records")
    ]


def _list_candidates(plan: PlanTables) -> list[dict[str, Any]]:
    """Return, by patch, the candidates that were refused on a unit although they are for its plant."""
    owner = dict(zip(plan.units["unit_id"], plan.units["patch_id"], strict=True))
    refused = plan.options[plan.options["verdict"] == "refused"]
    groups: dict[str, list[tuple[str, str, str]]] = {}
    for row in refused.itertuples():
        if not str(row.reason).startswith(_MISMATCH):
            item = (str(row.unit_id), str(row.treatment_id), str(row.reason))
            groups.setdefault(str(owner.get(row.unit_id, "")), []).append(item)
    return [{"patch": patch, "rows": rows} for patch, rows in groups.items()]


def _describe_totals(plan: PlanTables) -> dict[str, Any]:
    grounds = find_ground_totals(plan)
    rows = [(item, _describe_ground(plan, item)) for item in grounds]
    opened = [
        row for item, row in rows if item.uses or item.over or not item.limit > 0 or item.used_pct >= _SHOW_FROM_PCT
    ]
    shown = {id(row) for row in opened}
    return {
        "actives": _list_actives(plan, grounds),
        "grounds": opened,
        "other_grounds": [row for _, row in rows if id(row) not in shown],
        "records": _count_records(plan),
    }


def _describe_ground(plan: PlanTables, item: GroundTotal) -> dict[str, Any]:
    system = plan.site.options.units
    mind = [f"over the {show_dose(limit, system)} of {name}, also used on this ground" for name, limit in item.lower]
    return {
        "unit": item.unit_id,
        "active": f"{item.active} ({item.product_id})",
        "mind": "; ".join(mind),
        "planned": show_dose(item.planned, system, unit=False),
        "earlier": show_dose(item.earlier, system, unit=False),
        "others": show_dose(item.others, system, unit=False),
        "total": show_dose(item.total, system, unit=False),
        "limit": show_dose(item.limit, system, unit=False) if item.limit > 0 else "none on record",
        "used": f"{figures(item.used_pct)} %" if math.isfinite(item.used_pct) else "",
        "uses": "; ".join(item.uses),
        "over": item.over,
    }


def _list_actives(plan: PlanTables, grounds: list[GroundTotal]) -> list[dict[str, Any]]:
    system = plan.site.options.units
    size, unit = c.MASS.size(system), c.MASS.suffix(system)
    rows = []
    for item in find_active_totals(plan, grounds):
        highest = item.highest
        rows.append(
            {
                "active": item.active,
                "planned": f"{figures(item.planned_kg / size)} {unit}",
                "earlier": f"{figures(item.earlier_kg / size)} {unit}",
                "total": f"{figures((item.planned_kg + item.earlier_kg) / size)} {unit}",
                "highest": "" if highest is None else f"{show_dose(highest.total, system)} on {highest.unit_id}",
                "limit": "" if highest is None else _describe_ground(plan, highest)["limit"],
                "used": "" if highest is None else _describe_ground(plan, highest)["used"],
            }
        )
    return rows


def _count_records(plan: PlanTables) -> str:
    counted = list_counted_records(plan)
    if counted is None:
        return "No layer of earlier applications was given: earlier work of the year is not counted."
    text = f"{len(counted)} earlier applications of the year were given and are counted where their outlines lie."
    older = len(plan.features["history"]) - len(counted)
    return f"{text} {older} of other years bind intervals and priorities, and no limit for a year." if older else text


def _list_overlaps(plan: PlanTables) -> list[tuple[str, str, str, str]]:
    rows = []
    for row in plan.overlaps.itertuples():
        area = _show_area(plan, row.area_m2)
        likely = bool(getattr(row, "likely_same", False))
        what = "likely one patch drawn twice: " if likely else ""
        what += (
            "one species, counted once" if row.same_species else "two species, the doses on the ground in common add up"
        )
        rows.append((str(row.patch_a), str(row.patch_b), area, what))
    return rows


def _list_findings(plan: PlanTables) -> list[dict[str, str]]:
    """Return repairs and findings, warnings first."""
    rows = plan.findings.to_dict("records")
    rows.sort(key=lambda row: row["level"] != "warning")
    return [
        {
            "stage": str(row["stage"]),
            "where": f"{row['layer']}: {row['row']}",
            "what": str(row["what"]),
            "done": str(row["done"]),
            "before": _show_area(plan, row["area_before_m2"]),
            "after": _show_area(plan, row["area_after_m2"]),
            "level": str(row["level"]),
        }
        for row in rows
    ]


def _show_area(plan: PlanTables, area_m2: Any) -> str:
    if not is_known(area_m2):
        return ""
    system = plan.site.options.units
    return f"{figures(float(area_m2) / c.AREA.size(system), 4)} {c.AREA.suffix(system)}"
