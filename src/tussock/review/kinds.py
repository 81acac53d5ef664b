"""In: units, water, receptors and rules of a delivered plan. Out: findings on herbicide near kinds that no rule names.

A rule names the kinds in its ``from``, or every kind where it has none and forbids a herbicide. What no rule names and
no rule file waives has no setback, so no herbicide is to stand as near to it as the rules of its layer look out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import LENGTH
from tussock.base.records import DELIVERY, Setback
from tussock.base.text import show_length
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

_LAYERS: Final = ("water", "receptors")
#: Looked for where no rule of the layer has a distance: the widest of the published tables that ship, 100 ft.
_LEAST_M: Final = 30.48
#: Two honest measurements may be so far apart: 5 mm, and the scale that the plan's CRS may be off by.
_OFF_M: Final = 5e-3
_SCALE: Final = 2e-4


@dataclass(frozen=True)
class Near:
    """A kind without a rule, and how near each unit lies to it.

    Attributes
    ----------
    layer, kind
        Where it is mapped, and as what.
    distance_m
        To the nearest feature of the kind, 0 on it, shape (u,).
    owner
        Row of that feature in its layer, shape (u,).
    far_m, error_m
        How far the rules of the layer look out, and the positional error of both layers.
    """

    layer: str
    kind: str
    distance_m: FloatArray
    owner: IntArray
    far_m: float
    error_m: float

    @property
    def sure(self) -> BoolArray:
        """Units that are near, whatever the rounding."""
        return self._within(-1.0)

    @property
    def maybe(self) -> BoolArray:
        """Units that are near, or could be but for rounding."""
        return self._within(1.0)

    def _within(self, side: float) -> BoolArray:
        edge = self.far_m + self.error_m
        within: BoolArray = self.distance_m <= edge + side * (_OFF_M + _SCALE * edge)
        return within


def speaks_of_water(evidence: Evidence) -> bool:
    """Tell whether the rule sets say anything of herbicide and water, by a rule, a list or a waiver."""
    for _, rule in evidence.catalog.setbacks():
        if _stops_herbicide(rule) and (rule.source_filter is None or rule.source_filter.layer == "water"):
            return True
    if any(item.ruleset.listed_only and item.listed for item in evidence.catalog.rulesets):
        return True
    known = {"water"}
    if "water" in evidence.delivered.layers:
        known |= set(evidence.feature_column("water", "kind").tolist()) - {""}
    return bool(known & _list_waived(evidence))


def find_near(evidence: Evidence) -> list[Near]:
    """Return every kind without a rule with its distance to the units, measured once."""
    if "unruled" not in evidence.memo:
        evidence.memo["unruled"] = [item for layer in _LAYERS for item in _measure_layer(evidence, layer)]
    near: list[Near] = evidence.memo["unruled"]
    return near


def find_unruled(evidence: Evidence) -> tuple[BoolArray, BoolArray]:
    """Tell which units lie near a kind without a rule: surely, and maybe."""
    sure, maybe = np.zeros(len(evidence.units), dtype=bool), np.zeros(len(evidence.units), dtype=bool)
    for item in find_near(evidence):
        sure |= item.sure
        maybe |= item.maybe
    return sure, maybe


def _stops_herbicide(rule: Setback) -> bool:
    """Tell whether a rule forbids any way to apply a herbicide."""
    work = rule.forbids
    return work is not None and any(
        delivery != "none"
        and (not work.method or method in work.method)
        and (not work.delivery or delivery in work.delivery)
        for method, delivery in DELIVERY.items()
    )


def _list_waived(evidence: Evidence) -> set[str]:
    return {kind for item in evidence.catalog.rulesets for kind in item.ruleset.no_rule_for}


def _find_bare(evidence: Evidence, layer: str) -> tuple[BoolArray, BoolArray]:
    """Tell which features of a layer no rule names, and which of these no rule file waives either."""
    kind = evidence.feature_column(layer, "kind")
    bare = np.ones(len(kind), dtype=bool)
    stopped = False
    for rule in _list_rules(evidence, layer):
        stops = _stops_herbicide(rule)
        stopped |= stops
        if stops or (rule.source_filter is not None and rule.source_filter.kind):
            bare &= ~_find_meant(evidence, rule)
    waived = _list_waived(evidence)
    if layer in waived and not stopped:
        return bare, np.zeros(len(kind), dtype=bool)
    return bare, bare & ~np.isin(kind, sorted(waived - {""}))


def _list_rules(evidence: Evidence, layer: str) -> list[Setback]:
    rules = [rule for _, rule in evidence.catalog.setbacks()]
    return [rule for rule in rules if rule.source_filter is not None and rule.source_filter.layer == layer]


def _find_meant(evidence: Evidence, rule: Setback) -> BoolArray:
    """Tell which features a rule means, whatever their state."""
    wanted = rule.source_filter
    return np.zeros(0, dtype=bool) if wanted is None else evidence.find_meant(wanted.model_copy(update={"state": None}))


def _measure_layer(evidence: Evidence, layer: str) -> list[Near]:
    if layer not in evidence.edges or not len(evidence.delivered.layers[layer]):
        return []
    _, open_ = _find_bare(evidence, layer)
    kind = evidence.feature_column(layer, "kind")
    asked = [
        evidence.required_m(rule, layer).max(initial=0.0)
        for rule in _list_rules(evidence, layer)
        if rule.distance != "anywhere"
    ]
    far_m = max(asked, default=0.0) or _LEAST_M
    accuracy = evidence.catalog.accuracy_m
    half = evidence.half_width_m(layer)
    found = []
    for name in sorted(set(kind[open_].tolist())):
        nearest = evidence.nearest(layer, np.where(open_ & (kind == name), half, np.nan))
        distance = np.where(nearest.on, 0.0, np.maximum(nearest.distance_m - half[nearest.owner], 0.0))
        error_m = accuracy.get("infestations", 0.0) + accuracy.get(layer, 0.0)
        found.append(Near(layer, name, distance, nearest.owner, float(far_m), error_m))
    return found


def check_kinds(evidence: Evidence) -> list[Row]:
    """Check that no herbicide is planned or allowed near a kind without a rule, nor without any word on water."""
    rows = [*_check_planned(evidence), *_check_options(evidence), *_check_taken(evidence)]
    rows += _check_table(evidence)
    rows += _check_near_table(evidence)
    kinds = sum(len(set(evidence.feature_column(name, "kind").tolist())) for name in _LAYERS if name in evidence.edges)
    return [
        *rows,
        info("plan.gpkg", f"{kinds} kinds of water and receptors, {len(find_near(evidence))} without a rule"),
    ]


def _check_planned(evidence: Evidence) -> list[Row]:
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    treatments = units["treatment_id"].to_numpy()
    sprayed = evidence.sprayed & (units["status"] != "no_option").to_numpy()
    rows = []
    if not speaks_of_water(evidence):
        rows += pick_rows(
            sprayed,
            lambda k: violation(
                f"unit {ids[k]}", f"{units['treatment_id'].iloc[k]} planned", "no herbicide", _UNSPOKEN
            ),
        )
    for item in find_near(evidence):
        rows += pick_rows(
            sprayed & item.sure,
            lambda k, item=item: violation(  # type: ignore[misc]
                f"unit {ids[k]}",
                f"{treatments[k]} planned {_describe(evidence, item, k)}",
                f"no herbicide within {show_length(item.far_m, evidence.system)} and the mapping error",
                _UNNAMED,
            ),
            -item.distance_m,
        )
    return rows


_UNSPOKEN: Final = "no rule of the documents speaks of water"
_UNNAMED: Final = "no rule of the documents names that kind, and none waives it"


def _describe(evidence: Evidence, item: Near, unit: int) -> str:
    frame = evidence.delivered.layers[item.layer]
    row = int(item.owner[unit])
    name = str(frame["label"].iloc[row]) if "label" in frame.columns else f"{item.layer}, row {row + 1}"
    return f'{show_length(item.distance_m[unit], evidence.system)} from {name}, kind "{item.kind}"'


def _check_options(evidence: Evidence) -> list[Row]:
    """Check that no herbicide is allowed as a candidate there."""
    options = evidence.options
    unit = find_places(evidence.units["unit_id"], options["unit_id"])
    products = {item.id: item.product is not None for item in evidence.treatments}
    herbicide = np.array([products.get(name, False) for name in options["treatment_id"].tolist()], dtype=bool)
    closed = np.ones(len(evidence.units), dtype=bool) if not speaks_of_water(evidence) else find_unruled(evidence)[0]
    there = (unit >= 0) & np.append(closed, False)[unit]
    allowed = herbicide & there & np.isin(options["verdict"].to_numpy(dtype=object), ("chosen", "allowed"))
    return pick_rows(
        allowed,
        lambda k: violation(
            f"unit {options['unit_id'].iloc[k]}, {options['treatment_id'].iloc[k]}",
            str(options["verdict"].iloc[k]),
            "refused",
            _UNNAMED if speaks_of_water(evidence) else _UNSPOKEN,
        ),
    )


def _check_taken(evidence: Evidence) -> list[Row]:
    """Check that kinds which rule files take as others stand as those in the layers."""
    taken = {given: kind for item in evidence.catalog.rulesets for given, kind in item.ruleset.kinds.items()}
    rows = []
    for layer in [name for name in _LAYERS if name in evidence.edges]:
        kind, given = evidence.feature_column(layer, "kind"), _find_given(evidence, layer)
        wanted = [taken.get(name, name) for name in given.tolist()]
        rows += pick_rows(
            np.array([a != b for a, b in zip(kind.tolist(), wanted, strict=True)], dtype=bool),
            lambda k, layer=layer, kind=kind, wanted=wanted: violation(  # type: ignore[misc]
                f"{layer}, row {k + 1}, kind", str(kind[k]), str(wanted[k]), "as the rule files take it"
            ),
        )
    return rows


def _find_given(evidence: Evidence, layer: str) -> NDArray[Any]:
    """Return kinds as the mapper gave them."""
    held = "kind_given" in evidence.delivered.layers[layer].columns
    return evidence.feature_column(layer, "kind_given" if held else "kind")


def _check_table(evidence: Evidence) -> list[Row]:
    """Compare the table of kinds and rules with what the documents and the layers say."""
    table = evidence.table("kinds")
    keys = ["layer", "kind_given", "kind", "setback_id"]
    found = {
        tuple(row[name] for name in keys): (row["feature_count"], row["unnamed_count"], row["named_count"])
        for row in table.to_dict("records")
    }
    expected = _list_expected(evidence)
    rows = [
        violation(
            _name(key), f"{_count(found.get(key))}", f"{_count(expected.get(key))}", "mapped, unnamed, by the rule"
        )
        for key in dict.fromkeys([*expected, *found])
        if found.get(key) != expected.get(key)
    ]
    return pick_rows(np.ones(len(rows), dtype=bool), lambda k: rows[k])


def _name(key: tuple[Any, ...]) -> str:
    return f'kinds, {key[0]} "{key[1]}", {key[3] or "no rule"}'


def _count(counts: tuple[float, ...] | None) -> str:
    return "no row" if counts is None else ", ".join(f"{number:.0f}" for number in counts)


def _list_expected(evidence: Evidence) -> dict[tuple[Any, ...], tuple[float, float, float]]:
    """Return features of each kind, those without a rule, and those that each rule means."""
    expected: dict[tuple[Any, ...], tuple[float, float, float]] = {}
    for layer in [name for name in _LAYERS if name in evidence.edges and len(evidence.delivered.layers[name])]:
        kind, given = evidence.feature_column(layer, "kind"), _find_given(evidence, layer)
        _, open_ = _find_bare(evidence, layer)
        for pair in sorted(set(zip(given.tolist(), kind.tolist(), strict=True))):
            own = (given == pair[0]) & (kind == pair[1])
            about = float(own.sum()), float((open_ & own).sum())
            means = {rule.id: float((_find_meant(evidence, rule) & own).sum()) for rule in _list_rules(evidence, layer)}
            named = {name: count for name, count in means.items() if count} or {"": 0.0}
            expected |= {(layer, *pair, name): (*about, count) for name, count in named.items()}
    return expected


def _check_near_table(evidence: Evidence) -> list[Row]:
    """Compare the table of units near a kind without a rule with the distances measured here."""
    table = evidence.table("unruled")
    ids = evidence.units["unit_id"].tolist()
    size = LENGTH.size(evidence.system)
    rows = []
    known = set()
    for item in find_near(evidence):
        own = table[(table["layer"] == item.layer) & (table["kind"] == item.kind)]
        told = {row["unit_id"]: row for row in own.to_dict("records")}
        known |= {(item.layer, item.kind, name) for name in told}
        for place, name in enumerate(ids):
            row = told.get(name)
            where = f'unruled, unit {name}, {item.layer} "{item.kind}"'
            if row is None:
                if item.sure[place]:
                    rows.append(violation(where, "no row", _describe(evidence, item, place)))
            elif not item.maybe[place]:
                rows.append(violation(where, "a row", f"none: {_describe(evidence, item, place)}"))
            else:
                off = abs(row["achieved_m"] - item.distance_m[place])
                if not off <= _OFF_M + _SCALE * item.distance_m[place]:
                    found = f"{row['achieved_m'] / size:.2f}"
                    rows.append(violation(f"{where}, achieved", found, f"{item.distance_m[place] / size:.2f}"))
                if not abs(row["looks_out_m"] - item.far_m) <= _OFF_M:
                    found = f"{row['looks_out_m'] / size:.2f}"
                    rows.append(violation(f"{where}, looks_out", found, f"{item.far_m / size:.2f}"))
    rows += [
        violation(f'unruled, unit {row["unit_id"]}, {row["layer"]} "{row["kind"]}"', "a row", "none: a rule names it")
        for row in table.to_dict("records")
        if (row["layer"], row["kind"], row["unit_id"]) not in known
    ]
    return pick_rows(np.ones(len(rows), dtype=bool), lambda k: rows[k])
