"""In: reasons of candidates and units in words. Out: findings where a figure or a limit in them is another one."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from tussock.base import columns as c
from tussock.base.text import show_dose, show_length
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.review.setbacks import find_tolerance_m

#: "AQ-100: 42.3 ft from pond P7 (100.0 ft required)", and "annual limit of glyphosate: 20 of 8 lb ae/acre".
_FIGURES: Final = r"(?:^|\s)({ids}): ([0-9.,]+) (ft|m) from (.+?) \(([0-9.,]+) (?:ft|m) required\)"
_LIMIT: Final = re.compile(r"annual limit of ([^:]+): [0-9.,e+-]+ of ([0-9.,e+-]+) (?:lb|kg) ae/(?:acre|ha)")
_ROUNDING: Final = {"ft": 0.051, "m": 0.0051}
_OTHER_PLANT: Final = "not for this plant"


def check_reasons(evidence: Evidence) -> list[Row]:
    """Check the figures that reasons give: distances measured anew, limits of the labels, and reasons of units."""
    options = evidence.options
    unit = find_places(evidence.units["unit_id"], options["unit_id"])
    ids, texts = options["unit_id"].tolist(), options["reason"].tolist()
    where = [f"unit {name}, {item}" for name, item in zip(ids, options["treatment_id"].tolist(), strict=True)]
    rows = _check_distances(evidence, where, texts, unit.tolist())
    own = [f"unit {name}, reason" for name in evidence.units["unit_id"].tolist()]
    rows += _check_distances(evidence, own, evidence.units["reason"].tolist(), list(range(len(own))))
    rows += _check_limits(evidence, where, texts)
    rows += _check_units(evidence)
    return [*rows, info("plan.gpkg", f"reasons of {len(texts)} candidates and {len(own)} units")]


def _cap(rows: list[Row]) -> list[Row]:
    return pick_rows(np.ones(len(rows), dtype=bool), lambda k: rows[k])


def _check_distances(evidence: Evidence, where: list[str], texts: list[str], unit: list[int]) -> list[Row]:
    items = {item.setback.id: item for item in evidence.measured}
    if not items:
        return []
    names = "|".join(map(re.escape, sorted(items, key=len, reverse=True)))
    pattern = re.compile(_FIGURES.format(ids=names))
    size = c.LENGTH.size(evidence.system)
    parsed: dict[str, list[tuple[str, ...]]] = {}
    rows = []
    for place, text, who in zip(where, texts, unit, strict=True):
        if who < 0 or " required)" not in text:
            continue
        if text not in parsed:
            parsed[text] = pattern.findall(text)
        for name, figure, word, feature, asked in parsed[text]:
            item = items[name]
            achieved = float(item.achieved_m[who])
            off = abs(float(figure.replace(",", "")) * size - achieved)
            allowed = _ROUNDING[word] * size + float(find_tolerance_m(np.array([achieved]))[0])
            fixed = item.setback.distance_m
            if fixed is not None and off > allowed:
                found = f"{name}: {figure} {word} from {feature}"
                rows.append(violation(place, found, f"{show_length(achieved, evidence.system)}"))
            elif fixed is not None and asked != show_length(fixed, evidence.system).split()[0]:
                rows.append(violation(place, f"{name}: {asked} {word} required", show_length(fixed, evidence.system)))
    return _cap(rows)


def _check_limits(evidence: Evidence, where: list[str], texts: list[str]) -> list[Row]:
    """Check that a yearly limit which refuses a candidate is that of a label."""
    limits = [product.limit_per_year_kg_per_ha for product in evidence.catalog.products.values()]
    known = {show_dose(limit, evidence.system, unit=False) for limit in limits if limit is not None}
    rows = []
    for place, text in zip(where, texts, strict=True):
        for active, limit in _LIMIT.findall(text):
            if limit not in known:
                rows.append(violation(place, f"annual limit of {active}: {limit}", "the limit of a label in run.json"))
    return _cap(rows)


def _check_units(evidence: Evidence) -> list[Row]:
    """Check that a unit without a treatment gives the first reason of a candidate for its plant refused there."""
    options, units = evidence.options, evidence.units
    refused: dict[str, list[str]] = {}
    for unit, treatment, verdict, reason in zip(
        *(options[name].tolist() for name in ("unit_id", "treatment_id", "verdict", "reason")), strict=True
    ):
        if verdict == "refused" and _OTHER_PLANT not in reason:
            refused.setdefault(unit, []).append(f"{treatment}: {reason}")
    bare = units[(units["status"] == "no_option") & (units["area_counted_with"] == "") & ~evidence.on_empty]
    rows = []
    for unit, reason in zip(bare["unit_id"].tolist(), bare["reason"].tolist(), strict=True):
        known = refused.get(unit, [])
        if known and not any(text.partition("; ")[0] in reason for text in known):
            rows.append(violation(f"unit {unit}, reason", reason[:120], f"{known[0][:120]}, as among the options"))
    return _cap(rows)
