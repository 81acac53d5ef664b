"""In: rule sets, water and receptors as mapped. Out: which rule names which kind, and features that no rule names.

A rule names the kinds that stand in its ``from``, whatever it asks for there. A rule without kinds names every kind
where it forbids a herbicide: a permit or a mixing ban for any water says nothing of a setback. Where rules give the
names of features, only those are named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import KINDS
from tussock.base.records.rules import ColumnDistance, Ruleset, Setback
from tussock.base.units import FOOT_M

if TYPE_CHECKING:
    import pandas as pd

BoolArray = NDArray[np.bool_]
RuledLayer: TypeAlias = Literal["water", "receptors"]

#: Layers that rules run from.
RULED_LAYERS: Final[tuple[RuledLayer, ...]] = ("water", "receptors")
#: How far a kind that no rule names is looked for where no rule of its layer has a distance: the widest distance of the
#: published tables that ship (Siuslaw Invasive Plants Project, Table A-1, broadcast; 40 CFR 170.405, fine sprays).
LEAST_LOOK_OUT_M: Final = 100 * FOOT_M

#: What the rule files say of a kind.
RULE: Final = "a rule"
WAIVED: Final = "no rule wanted"
NO_RULE: Final = "no rule"


def map_kinds(rulesets: Iterable[Ruleset]) -> dict[str, str]:
    """Return what kinds are taken as, by the ``kinds`` of all rule sets."""
    return {given: kind for item in rulesets for given, kind in item.ruleset.kinds.items()}


def find_kind_faults(rulesets: Sequence[Ruleset]) -> list[tuple[int, str, str]]:
    """Return what is wrong with the ``kinds`` of rule sets taken together: the place of the set, found, need."""
    faults = []
    taken: dict[str, str] = {}
    for place, item in enumerate(rulesets):
        for given, kind in item.ruleset.kinds.items():
            if taken.setdefault(given, kind) != kind:
                found = f'"{given}" taken as "{kind}", and as "{taken[given]}" in another rule set'
                faults.append((place, found, "take it as one kind"))
    for place, item in enumerate(rulesets):
        for given, kind in item.ruleset.kinds.items():
            if kind in taken:
                found = f'"{given}" taken as "{kind}", which is taken as "{taken[kind]}"'
                faults.append((place, found, f'write {given} = "{taken[kind]}"'))
            lost = [
                setback.id
                for other in rulesets
                for setback in other.setback
                if (wanted := setback.source_filter) is not None and given in wanted.kind and kind not in wanted.kind
            ]
            if lost:
                found = f'"{given}" taken as "{kind}", and {", ".join(lost)} runs from "{given}"'
                faults.append((place, found, f'name "{kind}" in that rule too, or leave the mapping out'))
    return faults


def speaks_of_water(rulesets: Sequence[Ruleset], kinds: Iterable[str]) -> bool:
    """Tell whether rule sets say anything of herbicide and water.

    That is a rule that forbids some herbicide from water or anywhere, a set that lists what it permits, or
    ``no_rule_for`` with "water" or a kind of water that is mapped.

    Parameters
    ----------
    rulesets
        Every set that is loaded.
    kinds
        Kinds of water that are mapped.
    """
    if any(_forbids_herbicide(rule) and _reaches(rule, "water") for item in rulesets for rule in item.setback):
        return True
    if any(item.ruleset.listed_only and item.listed for item in rulesets):
        return True
    return not _list_waivers(rulesets).isdisjoint({"water", *(kind for kind in kinds if kind)})


def _reaches(rule: Setback, layer: RuledLayer) -> bool:
    return rule.source_filter is None or rule.source_filter.layer == layer


def _forbids_herbicide(rule: Setback) -> bool:
    return rule.forbids is not None and rule.forbids.with_herbicide


def _list_waivers(rulesets: Iterable[Ruleset]) -> set[str]:
    return {kind for item in rulesets for kind in item.ruleset.no_rule_for}


def _list_rules(rulesets: Iterable[Ruleset], layer: RuledLayer) -> list[tuple[Ruleset, Setback]]:
    return [
        (item, rule)
        for item in rulesets
        for rule in item.setback
        if rule.source_filter is not None and rule.source_filter.layer == layer
    ]


def find_named(rule: Setback, frame: pd.DataFrame) -> BoolArray:
    """Tell which features of its layer a rule runs from, whatever their state, shape (f,)."""
    wanted = rule.source_filter
    named = np.full(len(frame), wanted is not None, dtype=bool)
    if wanted is None:
        return named
    if wanted.kind:
        named &= (frame["kind"].isin(wanted.kind) | (frame["kind"] == "")).to_numpy(dtype=bool)
    if wanted.name and "name" in frame.columns:
        named &= frame["name"].astype(str).str.strip().isin(wanted.name).to_numpy(dtype=bool)
    return named


def find_unnamed(frame: pd.DataFrame, layer: RuledLayer, rulesets: Sequence[Ruleset]) -> BoolArray:
    """Tell which features of a layer no rule names, and no ``no_rule_for`` waives, shape (f,).

    A ``no_rule_for`` with the name of a whole layer counts only where no rule forbids a herbicide from that layer.
    """
    unnamed = _find_without_rule(frame, layer, rulesets)
    return unnamed & ~_find_waived(frame, layer, rulesets)


def _find_without_rule(frame: pd.DataFrame, layer: RuledLayer, rulesets: Sequence[Ruleset]) -> BoolArray:
    bare = np.ones(len(frame), dtype=bool)
    for _, rule in _list_rules(rulesets, layer):
        if _names_kinds(rule) or _forbids_herbicide(rule):
            bare &= ~find_named(rule, frame)
    return bare


def _find_waived(frame: pd.DataFrame, layer: RuledLayer, rulesets: Sequence[Ruleset]) -> BoolArray:
    waivers = _list_waivers(rulesets)
    if layer in waivers and not any(_forbids_herbicide(rule) for _, rule in _list_rules(rulesets, layer)):
        return np.ones(len(frame), dtype=bool)
    return np.asarray(frame["kind"].isin(waivers - {""}).to_numpy(dtype=bool))


def _names_kinds(rule: Setback) -> bool:
    return rule.source_filter is not None and bool(rule.source_filter.kind)


def find_look_out_m(frame: pd.DataFrame, layer: RuledLayer, rulesets: Sequence[Ruleset]) -> float:
    """Return the furthest distance that a rule of a layer has [m]; `LEAST_LOOK_OUT_M` where none has any.

    Where rules take the distance from a column, the largest figure of the layer counts.
    """
    import pandas as pd

    most = 0.0
    for _, rule in _list_rules(rulesets, layer):
        distance = rule.distance
        if isinstance(distance, ColumnDistance):
            if distance.column in frame.columns:
                figures: Any = pd.to_numeric(frame[distance.column], errors="coerce")
                size = FOOT_M if distance.unit == "ft" else 1.0
                most = max(most, float(np.nanmax(figures.to_numpy(dtype=float), initial=0.0)) * size * distance.times)
        elif isinstance(distance, float):
            most = max(most, distance)
    return most if most > 0 else LEAST_LOOK_OUT_M


def list_kinds(frames: Mapping[str, pd.DataFrame], rulesets: Sequence[Ruleset]) -> pd.DataFrame:
    """Return every kind that is mapped, with the rules that run from it.

    Parameters
    ----------
    frames
        Repaired layers by name; those of `RULED_LAYERS` are looked at.
    rulesets
        Every set that is loaded.

    Returns
    -------
    DataFrame
        Columns of `base.columns.KINDS`: one row for each kind and rule, one with a blank rule for a kind without any.
    """
    import pandas as pd

    rows: list[tuple[Any, ...]] = []
    for layer in RULED_LAYERS:
        frame = frames.get(layer)
        if frame is None or not len(frame):
            continue
        given = frame["kind_given"] if "kind_given" in frame.columns else frame["kind"]
        bare, unnamed = _find_without_rule(frame, layer, rulesets), find_unnamed(frame, layer, rulesets)
        for name, kind in sorted({*zip(given, frame["kind"], strict=True)}):
            own = ((given == name) & (frame["kind"] == kind)).to_numpy(dtype=bool)
            state = NO_RULE if (unnamed & own).any() else WAIVED if (bare & own).any() else RULE
            about = (layer, name, kind, int(own.sum()), int((unnamed & own).sum()), state)
            runs: list[tuple[Any, ...]] = [
                (rule.id, item.title, rule.effect, "its kind" if _names_kinds(rule) and kind else "every kind", count)
                for item, rule in _list_rules(rulesets, layer)
                if (count := int((find_named(rule, frame) & own).sum()))
            ]
            rows += [(*about, *run) for run in runs or [("", "", "", "", 0)]]
    return pd.DataFrame(rows, columns=[column.si_name for column in KINDS])
