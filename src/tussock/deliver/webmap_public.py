"""In: a plan. Out: the same plan without what a public map must not give away: where protected plants and places are.

Leaving out the receptor and its zone is not enough. Units are cut along the zone's edge, reasons and cautions name the
feature, and distances point at it. So the units of every patch that such a setback touches give way to the patch as a
whole, "details withheld", and free texts of the mapper stay out.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from tussock.base.records import Setback
from tussock.base.stages import PlanTables
from tussock.deliver.webmap_figures import is_blank
from tussock.deliver.webmap_style import WITHHELD

if TYPE_CHECKING:
    import geopandas as gpd

#: A receptor whose kind has one of these words is protected; so is one whose kind is not mapped, since it may be one.
PROTECTED_WORDS: Final = re.compile(
    r"\b(rare|protected|endangered|threatened|sensitive|imperiled|of concern|listed|nest\w*|roost\w*|dens?|hibernac\w+"
    r"|cultural|burial|grave\w*|archa?eolog\w+)\b",
    re.IGNORECASE,
)


def is_protected(kind: Any) -> bool:
    """Tell whether receptors of a kind stay out of public maps."""
    return is_blank(kind) or PROTECTED_WORDS.search(str(kind)) is not None


def withhold(plan: PlanTables) -> PlanTables:
    """Return a plan for a public map.

    Parameters
    ----------
    plan
        Plan as made. It is not changed.

    Returns
    -------
    PlanTables
        Without protected receptors and the setbacks that run from them. A patch with a unit in such a setback has one
        unit, the patch itself, of status ``withheld`` and without figures other than its area.
    """
    receptors = plan.features.get("receptors")
    if receptors is None or not len(receptors):
        return plan
    hidden = receptors["kind"].map(is_protected).astype(bool)
    if not hidden.any():
        return plan
    secret = receptors[hidden]
    rules = {item.id for _, item in plan.site.setbacks() if _runs_from(item, secret)}
    names = [str(name) for name in {*secret["label"], *secret.get("name", ())} if not is_blank(name)]
    touched = _find_touched(plan, rules, names)
    units = set(plan.units.loc[plan.units["patch_id"].isin(touched), "unit_id"])
    return replace(
        plan,
        relations={
            name: table[~(table.isin(units) | table.isin(rules)).any(axis=1)].reset_index(drop=True)
            for name, table in plan.relations.items()
        },
        patches=_blank_patches(plan.patches, touched),
        units=_merge_units(plan, touched),
        setback_zones=plan.setback_zones[~plan.setback_zones["setback_id"].isin(rules)].reset_index(drop=True),
        compliance=plan.compliance[
            ~plan.compliance["setback_id"].isin(rules) & ~plan.compliance["patch_id"].isin(touched)
        ].reset_index(drop=True),
        features={**plan.features, "receptors": receptors[~hidden]},
    )


def _runs_from(setback: Setback, secret: gpd.GeoDataFrame) -> bool:
    source = setback.source_filter
    if source is None or source.layer != "receptors":
        return False
    for kind, name in zip(secret["kind"], secret.get("name", secret["kind"]), strict=True):
        fits_kind = not source.kind or is_blank(kind) or str(kind).casefold().strip() in source.kind
        if fits_kind and (not source.name or str(name) in source.name):
            return True
    return False


def _find_touched(plan: PlanTables, rules: set[str], names: list[str]) -> set[str]:
    """Return the patches with a unit that such a setback holds on, or whose texts name it or its feature."""
    force = plan.relations["unit_setbacks"]
    held = set(force.loc[force["setback_id"].isin(rules), "unit_id"])
    touched = set()
    columns = ["unit_id", "patch_id", "reason", "cautions", "check_in_field"]
    words = [*rules, *names]
    for unit_id, patch_id, *texts in plan.units[columns].itertuples(index=False, name=None):
        if unit_id in held or any(word in str(text) for word in words for text in texts):
            touched.add(patch_id)
    return touched


def _blank_patches(patches: gpd.GeoDataFrame, touched: set[str]) -> gpd.GeoDataFrame:
    public = patches.copy()
    public["reason"] = ""
    public["set_aside"] = public["set_aside"].mask(public["set_aside"] != "", WITHHELD)  # it may name a feature
    rows = public["patch_id"].isin(touched)
    figures = public.columns[public.columns.str.match(r"(spray|product|ae|crew)_|cost$|unit_count$|nearest_receptor_")]
    for name in figures:
        public[name] = public[name].mask(rows)
    public["status"] = public["status"].mask(rows, WITHHELD)
    return public


def _merge_units(plan: PlanTables, touched: set[str]) -> gpd.GeoDataFrame:
    """Return the units with those of each touched patch replaced by one, which has the patch's outline and area."""
    import pandas as pd

    hidden = plan.units["patch_id"].isin(touched)
    if not hidden.any():
        return plan.units
    first = plan.units[hidden].drop_duplicates("patch_id").copy()
    patches = plan.patches.set_index("patch_id").loc[first["patch_id"]]
    for column in first.columns:
        if column in ("patch_id", "geometry"):
            continue
        text = not pd.api.types.is_numeric_dtype(first[column])
        first[column] = "" if text else first[column].mask(first["patch_id"].notna())
    area = next(name for name in first.columns if name.startswith("area_") and name != "area_counted_with")
    first["unit_id"] = first["patch_id"].astype(str)
    first["status"] = WITHHELD
    first[area] = patches[area].to_numpy()
    first["geometry"] = patches.geometry.to_numpy()
    merged: Any = pd.concat([plan.units[~hidden], first]).sort_index()
    return merged.reset_index(drop=True)
