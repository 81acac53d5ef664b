"""In: a plan and what was approved. Out: its patches marked as approved, changed or new, and findings on changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tussock.base.approval import Approval
from tussock.base.approved import AS_APPROVED, CHANGED, NEW, PatchState, compare_prints, compare_rulesets
from tussock.base.findings import Finding, findings_table
from tussock.base.fingerprint import PlanContent, describe_rulesets, find_datum, take_fingerprints
from tussock.base.records import SeasonDates
from tussock.base.stages import PlanTables
from tussock.base.text import show_season

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from pyproj import CRS

_DONE = {
    AS_APPROVED: "marked as approved",
    CHANGED: "marked as changed since approval: have it approved anew before work",
    NEW: "marked as new since approval: have it approved before work",
}


def read_datum(text: str) -> CRS | None:
    """Return the datum that an approval names; None where no such datum is known here."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_user_input(text)
    except CRSError:
        return None


def name_datum(crs: CRS) -> str:
    """Return the geographic CRS of a layer as an approval names it: by its authority and code, else as WKT."""
    datum = find_datum(crs)
    authority = datum.to_authority(min_confidence=100)
    return ":".join(authority) if authority else datum.to_wkt()


def find_content(plan: PlanTables) -> PlanContent:
    """Return what fingerprints of a plan are taken of."""
    return PlanContent(
        patches=plan.patches,
        units=plan.units,
        compliance=plan.compliance,
        products=plan.site.products,
        setbacks=plan.site.setbacks(),
        system=plan.site.options.units,
        unit_setbacks=plan.relations["unit_setbacks"],
        unit_products=plan.relations["unit_products"],
    )


def mark_patches(plan: PlanTables, approval: Approval) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Compare a plan with an approval.

    Parameters
    ----------
    plan
        Tables under the names and units of the contract.
    approval
        What was approved.

    Returns
    -------
    tuple of GeoDataFrame and DataFrame
        The patches with the columns ``approval`` and ``approval_change`` filled in, and a findings table: one row for
        each patch that is not as approved, each patch approved that is gone, and each rule set that differs.
    """
    system = plan.site.options.units
    datum = read_datum(approval.content["datum"])
    compared = compare_prints(approval.prints, take_fingerprints(find_content(plan), datum), system)
    findings = [_say_state(state) for state in compared.states if state.state != AS_APPROVED or state.approved_as]
    findings += [
        Finding("approval", "infestations", name, "approved, and no patch of this plan", "its approval covers nothing")
        for name in compared.gone
    ]
    rules = [item.content for item in plan.site.documents if item.role == "rules"]
    now = describe_rulesets(plan.site.rulesets, rules)
    findings += [
        Finding("approval", "rules", title, what, "named; patches on which a setback changed are marked")
        for title, what in compare_rulesets(approval.content["rulesets"], now)
    ]
    if approval.content["season"] != plan.site.season.to_json():
        approved = SeasonDates.model_validate(approval.content["season"]).season()
        was = f"approved for the season {show_season(approved)}, this plan is for {show_season(plan.site.season)}"
        findings.append(Finding("approval", "site", plan.site.name, was, "dates differ, so patches are marked"))
    marked = plan.patches.assign(
        approval=[state.state for state in compared.states],
        approval_change=[_say_change(state) for state in compared.states],
    )
    return marked, findings_table(findings)


def _say_change(state: PatchState) -> str:
    alias = f"approved under the name {state.approved_as}" if state.approved_as else ""
    return "; ".join(part for part in (alias, state.change) if part)


def _say_state(state: PatchState) -> Finding:
    said = _say_change(state)
    what = f"{state.state}: {said}" if said else state.state
    level = "info" if state.state == AS_APPROVED else "warning"
    return Finding("approval", "infestations", state.patch_id, what, _DONE[state.state], level)  # type: ignore[arg-type]
