"""In: distances of units to setbacks, and the treatments chosen. Out: one row for each pair, with its verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tussock.base.days import span_days, window_days
from tussock.base.records import Ruleset, Setback
from tussock.base.stages import Site
from tussock.base.text import show_length
from tussock.base.verdicts import FAILS, FIELD_CHECK, MEETS, NOT_APPLICABLE, NOT_CHECKED, TO_DO, WITHIN_ERROR
from tussock.wording.rules import describe_effect

if TYPE_CHECKING:
    import pandas as pd


def find_compliance(site: Site, nearness: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """Return the compliance table.

    Parameters
    ----------
    site
        Rule sets and products.
    nearness
        One row for each unit and setback, measured.
    units
        Units with the treatment chosen.

    Returns
    -------
    DataFrame
        SI columns of `tussock.base.columns.COMPLIANCE`, in the order of the units and the rules.
    """
    import pandas as pd

    rules = {setback.id: (ruleset, setback) for ruleset, setback in site.setbacks()}
    chosen = units[["patch_id", "status", "treatment_id", "method", "product_id", "season_from", "windows"]]
    plan: dict[Any, dict[Any, Any]] = chosen.to_dict("index")
    rows = []
    needed = ["unit_id", "setback_id", "in_force", "distance_verdict", "check", "slope_distance_m"]
    for row in nearness[needed].itertuples():
        ruleset, setback = rules[str(row.setback_id)]
        verdict, note = _judge_row(site, ruleset, setback, plan[str(row.unit_id)], row)
        rows.append((plan[str(row.unit_id)]["patch_id"], setback.effect, verdict, note, setback.source))
    added = pd.DataFrame(rows, columns=["patch_id", "effect", "verdict", "note", "source"], index=nearness.index)
    return nearness.join(added)


def _judge_row(site: Site, ruleset: Ruleset, setback: Setback, unit: dict[str, Any], row: Any) -> tuple[str, str]:
    """Return verdict and note of one unit and setback."""
    notes = _list_doubts(site, setback, row)
    if unit["status"] != "planned":
        return NOT_APPLICABLE, "; ".join(["nothing is planned here", *notes])
    if not unit["product_id"] and not setback.about.without_herbicide:
        return NOT_APPLICABLE, "; ".join(["no herbicide is planned here", *notes])
    if setback.effect != "forbids":
        if not row.in_force or not _matches(site, setback, unit):
            return NOT_APPLICABLE, "; ".join(notes)
        return TO_DO, "; ".join([describe_effect(setback), *notes])
    if ruleset.ruleset.status == "draft":
        return NOT_CHECKED, "; ".join(notes)
    verdict, note = _judge_treatment(site, setback, unit) if row.in_force else (MEETS, "")
    if verdict == MEETS and row.check:
        verdict = FIELD_CHECK
    return verdict, "; ".join([*([note] if note else []), *notes])


def _list_doubts(site: Site, setback: Setback, row: Any) -> list[str]:
    notes = []
    if row.slope_distance_m > 0:  # blank where no slope is known
        along = show_length(row.slope_distance_m, site.options.units)
        notes.append(f"{along} along the slope (the distance on the map decides)")
    if row.distance_verdict == WITHIN_ERROR:
        notes.append("the distance lies within the mapping error and was taken as inside: flag the real edge")
    if row.check:
        notes.append("rests on an assumed width: check in the field")
    if setback.datum:
        notes.append(f"the rule runs from {setback.datum}")
    return notes


def _judge_treatment(site: Site, setback: Setback, unit: dict[str, Any]) -> tuple[str, str]:
    """Judge the planned treatment against a setback that is in force on its unit."""
    if _is_forbidden(site, setback, unit):
        return FAILS, f"{unit['treatment_id'] or unit['method']} is forbidden here"
    if setback.unless_surveyed and _matches(site, setback, unit):
        return TO_DO, "allowed if surveyed: a survey must lift it first"
    return MEETS, f"in force; {unit['treatment_id'] or unit['method']} is allowed by it on the planned dates"


def _is_forbidden(site: Site, setback: Setback, unit: dict[str, Any]) -> bool:
    if not _matches(site, setback, unit) or setback.unless_surveyed:
        return False
    if setback.season is None or not unit["season_from"]:
        return True
    planned = span_days(site.season, unit["windows"])
    return bool((planned & window_days(site.season, setback.season)).any())


def _matches(site: Site, setback: Setback, unit: dict[str, Any]) -> bool:
    """Tell whether a setback is about the treatment of a unit, or a partner in its tank, on any date."""
    treatment = next((item for item in site.treatments or () if item.id == unit["treatment_id"]), None)
    partners = () if treatment is None else treatment.tank_mix
    names = [unit["product_id"], *(item.product for item in partners)] if unit["product_id"] else []
    return setback.about.binds(unit["method"], [site.products[name] for name in names])
