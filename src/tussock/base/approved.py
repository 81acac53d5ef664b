"""In: fingerprints approved and fingerprints now. Out: which patches are as approved, changed or new, and what changed.

Patches are matched by their ground, not by their name: first where nothing at all differs, then by outline, then by
patch id. Edges that moved by less than 5 cm count as the same: the cut of a setback may shift by millimetres when the
site around it grows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.fingerprint import Content, Fingerprint
from tussock.base.text import join_words, show, show_length

AS_APPROVED: Final = "as approved"
CHANGED: Final = "changed since approval"
NEW: Final = "new since approval"
STATES: Final = (AS_APPROVED, CHANGED, NEW)

#: Outlines that lie within this of one another are the same ground [m].
SAME_GROUND_M: Final = 0.05
#: Rates agree to this, amounts (which follow from rates and ground) to that, relative.
_SAME_RATE: Final = 1e-6
_SAME_AMOUNT: Final = 5e-3
_DEGREE_M: Final = 111_320.0
_MOST_WORDS: Final = 8

_WORDS: Final = {
    "status": "status",
    "treatment": "treatment",
    "method": "method",
    "delivery": "delivery",
    "carrier": "carrier",
    "from": "first day",
    "to": "last day",
}
_RATES: Final = {
    "concentration_pct": ("share in the mix", None),
    "rate_l_per_ha": ("spray volume", c.RATE),
    "dose_kg_per_ha": ("rate (ae)", c.DOSE),
}
_AMOUNTS: Final = {
    "spray_l": ("liquid", c.LIQUID),
    "product_l": ("product", c.SMALL_LIQUID),
    "ae_kg": ("acid equivalent", c.MASS),
    "dye_l": ("dye", c.SMALL_LIQUID),
    "adjuvant_l": ("adjuvant", c.SMALL_LIQUID),
    "stems": ("stems", None),
    "cuts": ("cuts", None),
}


@dataclass(frozen=True)
class PatchState:
    """One patch of a plan against what was approved: its state and, where it changed, what changed."""

    patch_id: str
    state: str
    change: str = ""
    approved_as: str = ""


@dataclass(frozen=True)
class Comparison:
    """Every patch of a plan, in its order, and the patches that were approved and are gone."""

    states: tuple[PatchState, ...]
    gone: tuple[str, ...]


def compare_prints(approved: Sequence[Fingerprint], now: Sequence[Fingerprint], system: c.UnitSystem) -> Comparison:
    """Compare the fingerprints of a plan with those approved.

    Parameters
    ----------
    approved, now
        Fingerprints taken in one datum.
    system
        Units of the words.
    """
    pairs = _match(approved, now)
    states = []
    for place, item in enumerate(now):
        other = pairs.get(place)
        if other is None:
            states.append(PatchState(item.patch_id, NEW))
            continue
        before = approved[other]
        alias = "" if before.patch_id == item.patch_id else before.patch_id
        changes = [] if before.sha256 == item.sha256 else list_changes(before, item, system)
        state = CHANGED if changes else AS_APPROVED
        states.append(PatchState(item.patch_id, state, "; ".join(changes), alias))
    kept = set(pairs.values())
    return Comparison(tuple(states), tuple(p.patch_id for place, p in enumerate(approved) if place not in kept))


def _match(approved: Sequence[Fingerprint], now: Sequence[Fingerprint]) -> dict[int, int]:
    """Return the place of the approved patch that each patch now stands for."""
    pairs: dict[int, int] = {}
    free = dict.fromkeys(range(len(approved)))

    def take(place: int, other: int) -> None:
        pairs[place] = other
        del free[other]

    for exact in (True, False):  # the same content under the same name first
        known: dict[tuple[str, str], list[int]] = {}
        for other in free:
            item = approved[other]
            known.setdefault((item.sha256, item.patch_id if exact else ""), []).append(other)
        for place, item in enumerate(now):
            listed = known.get((item.sha256, item.patch_id if exact else ""), [])
            if place not in pairs and listed:
                take(place, listed.pop(0))
    _match_outlines(approved, now, pairs, free, take)
    names = {approved[other].patch_id: other for other in reversed(list(free))}
    for place, item in enumerate(now):
        if place not in pairs and item.patch_id in names:
            take(place, names.pop(item.patch_id))
    return pairs


def _match_outlines(
    approved: Sequence[Fingerprint], now: Sequence[Fingerprint], pairs: dict[int, int], free: dict[int, None], take: Any
) -> None:
    """Match patches whose outline is the same, under the same name first."""
    import shapely

    others = list(free)
    if not others:
        return
    shapes = np.array([build_outline(approved[other].ground["outline"]) for other in others], dtype=object)
    tree = shapely.STRtree(shapes)
    for place, item in enumerate(now):
        if place in pairs:
            continue
        shape = build_outline(item.ground["outline"])
        near = [other for other in tree.query(shape).tolist() if others[other] in free]
        near.sort(key=lambda other: (approved[others[other]].patch_id != item.patch_id, other))
        for other in near:
            if find_shift_m(shapes[other], shape) <= SAME_GROUND_M:
                take(place, others[other])
                break


def build_outline(outline: Iterable[Any]) -> Any:
    """Return a multipolygon from its coordinates."""
    import shapely

    return shapely.MultiPolygon([(polygon[0], polygon[1:]) for polygon in outline])


def find_shift_m(one: Any, two: Any) -> float:
    """Return how far the vertices of two outlines in degrees lie from the other outline at most [m] (to 1 %)."""
    import shapely

    if one.is_empty or two.is_empty:
        return 0.0 if one.is_empty and two.is_empty else math.inf
    width = math.cos(math.radians(one.centroid.y))

    def flatten(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack([xy[:, 0] * width, xy[:, 1]]) * _DEGREE_M

    flat = shapely.transform(np.array([one, two], dtype=object), flatten)
    return float(shapely.hausdorff_distance(flat[0], flat[1]))


def list_changes(before: Fingerprint, now: Fingerprint, system: c.UnitSystem) -> list[str]:
    """Say what differs between a patch as approved and as it is now; nothing where it is the same but for rounding."""
    one, two = before.ground, now.ground
    shift = find_shift_m(build_outline(one["outline"]), build_outline(two["outline"]))
    changes = [f"outline moved by up to {show_length(shift, system)}"] if shift > SAME_GROUND_M else []
    for key, word in (("species", "plant"), ("growth_form", "growth form")):
        if one.get(key) != two.get(key):
            changes.append(f"{word} {two.get(key) or 'blank'} instead of {one.get(key) or 'blank'}")
    changes += _compare_number("cover", None, one.get("cover_pct"), two.get("cover_pct"), _SAME_RATE, system)
    changes += _compare_units(before, now, system)
    if len(changes) > _MOST_WORDS:
        return [*changes[:_MOST_WORDS], f"and {len(changes) - _MOST_WORDS} more differences"]
    return changes


def _compare_units(before: Fingerprint, now: Fingerprint, system: c.UnitSystem) -> list[str]:
    olds, news = before.ground["units"], now.ground["units"]
    shapes = [[build_outline(unit["outline"]) for unit in units] for units in (olds, news)]
    moved: list[str] = []
    told: dict[str, list[str]] = {}
    for place, unit in enumerate(news):
        name = now.unit_ids[place] if place < len(now.unit_ids) else f"unit {place + 1}"
        other, same = _find_partner(shapes[1][place], shapes[0])
        if not same:
            moved.append(name)
        if other is not None:
            for text in _compare_unit(olds[other], unit, system, amounts=same):
                told.setdefault(text, []).append(name)
        elif unit.get("product"):
            text = f"{unit['product'].get('id', '')} on ground that was no part of the patch"
            told.setdefault(text, []).append(name)
    changes = [f"{len(news)} units instead of {len(olds)}"] if len(olds) != len(news) else []
    changes += [f"outline of {join_words(sorted(moved))}"] if moved else []
    return changes + [f"{join_words(sorted(names))}: {text}" for text, names in told.items()]


def _find_partner(shape: Any, others: Sequence[Any]) -> tuple[int | None, bool]:
    """Return the unit approved on the same ground, else the one with most ground in common, and whether it is same."""
    import shapely

    from tussock.base.validity import make_valid

    if not others:
        return None, False
    shifts = [find_shift_m(other, shape) for other in others]
    best = int(np.argmin(shifts))
    if shifts[best] <= SAME_GROUND_M:
        return best, True
    *stack, own = make_valid(np.array([*others, shape], dtype=object))
    common = shapely.area(shapely.intersection(np.array(stack, dtype=object), own))
    best = int(np.argmax(common))
    return (best if common[best] > 0 else None), False


def _compare_unit(old: Content, new: Content, system: c.UnitSystem, *, amounts: bool) -> list[str]:
    """Say what differs between two units; amounts only where the ground is the same, else they must differ."""
    changes = [
        f"{word} {new.get(key) or 'none'} instead of {old.get(key) or 'none'}"
        for key, word in _WORDS.items()
        if old.get(key) != new.get(key)
    ]
    changes += _compare_products(old.get("product"), new.get("product"))
    if _tank(old, _SAME_RATE) != _tank(new, _SAME_RATE):
        changes.append("other products in the tank, or another share of them")
    for key, (word, quantity) in _RATES.items():
        changes += _compare_number(word, quantity, old.get(key), new.get(key), _SAME_RATE, system)
    rates = len(changes)
    for key, (word, quantity) in _AMOUNTS.items() if amounts and not rates else ():
        changes += _compare_number(word, quantity, old.get(key), new.get(key), _SAME_AMOUNT, system)
    return changes + _compare_setbacks(old["setbacks"], new["setbacks"], system)


def _compare_products(old: Any, new: Any) -> list[str]:
    one, two = old or {}, new or {}
    if one.get("id") != two.get("id"):
        return [f"product {two.get('id') or 'none'} instead of {one.get('id') or 'none'}"]
    return [
        f"product {two.get('id')}: {key.replace('_', ' ')} {two.get(key)!s} instead of {one.get(key)!s}"
        for key in dict.fromkeys([*one, *two])
        if one.get(key) != two.get(key)
    ]


def _tank(unit: Content, step: float) -> list[Any]:
    """Return the partners of a tank with their shares rounded, for comparing."""
    listed = unit.get("tank_mix") or []
    return [
        {**item, "share_pct": round((item.get("share_pct") or 0.0) / step)} if isinstance(item, dict) else item
        for item in listed
    ]


def _compare_number(
    word: str, quantity: c.Quantity | None, old: Any, new: Any, slack: float, system: c.UnitSystem
) -> list[str]:
    if old is None and new is None:
        return []
    if old is not None and new is not None and abs(new - old) <= slack * max(abs(old), abs(new)):
        return []

    def say(value: float | None) -> str:
        if value is None:
            return "blank"
        return f"{value:.6g}" if quantity is None else show(value, quantity, system, 4)

    return [f"{word} {say(new)} instead of {say(old)}"]


def _compare_setbacks(old: Sequence[Content], new: Sequence[Content], system: c.UnitSystem) -> list[str]:
    one, two = ({str(item.get("id")): item for item in listed} for listed in (old, new))
    changes = [f"setback {name} now in force" for name in two if name not in one]
    changes += [f"setback {name} no longer in force" for name in one if name not in two]
    for name in [name for name in two if name in one]:
        before, now = one[name].get("required_m"), two[name].get("required_m")
        if _compare_number("", c.LENGTH, before, now, _SAME_RATE, system):
            shown = [("whole site" if size is None else show_length(size, system)) for size in (now, before)]
            changes.append(f"setback {name}: {shown[0]} instead of {shown[1]}")
        elif {**one[name], "required_m": 0} != {**two[name], "required_m": 0}:
            changes.append(f"setback {name}: the rule reads otherwise")
    return changes


def compare_rulesets(approved: Sequence[Content], now: Sequence[Content]) -> list[tuple[str, str]]:
    """Return title and difference of each rule set that is not as approved."""
    one, two = ({str(item["title"]): item for item in listed} for listed in (approved, now))
    rows = [(title, "new since approval") for title in two if title not in one]
    rows += [(title, "approved, and no longer loaded") for title in one if title not in two]
    for title in [title for title in two if title in one]:
        if one[title].get("authority") != two[title].get("authority"):
            rows.append((title, f"authority {two[title].get('authority')} instead of {one[title].get('authority')}"))
        elif one[title]["sha256"] != two[title]["sha256"]:
            rows.append((title, "changed since approval"))
    return rows
