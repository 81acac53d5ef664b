"""In: a rule. Out: what it forbids or asks for, in words, alike on map, sheets, tables and report."""

from __future__ import annotations

from typing import Final

from tussock.base.records import Combination, Setback
from tussock.base.text import show_window

#: How a rule ends that a survey can lift.
UNLESS_SURVEYED: Final = ", unless a survey lifts it"

_DELIVERIES: Final = {"hand": "hand methods", "none": "work without herbicide"}
_METHODS: Final = {"pull": "pulling", "dig": "digging", "cut": "cutting", "mow": "mowing"}


def describe_work(combination: Combination) -> str:
    """Return the work that a combination of method and product means.

    Examples
    --------
    >>> describe_work(Combination())
    'every herbicide'
    >>> describe_work(Combination(delivery="broadcast", active="imazapyr", aquatic_label=False))
    'imazapyr without an aquatic label by broadcast'
    >>> describe_work(Combination(method=["foliar_spot", "dig"]))
    'foliar spot or digging'
    >>> describe_work(Combination(work="all"))
    'all work'
    """
    if combination.work is not None:
        return "all work"
    ways = [_DELIVERIES.get(name, name) for name in combination.delivery]
    methods = [_METHODS.get(name, name.replace("_", " ")) for name in combination.method]
    work = ", ".join(" or ".join(words) for words in (methods, ways) if words)
    products = describe_products(combination)
    if products and work:
        return f"{products} by {work}"
    return products or work or "every herbicide"


def describe_products(combination: Combination) -> str:
    """Return the products that a combination means; an empty text where it names none.

    Examples
    --------
    >>> describe_products(Combination(soil_active=True))
    'soil-active products'
    >>> describe_products(Combination(form=["ester", "amine"], aquatic_label=True))
    'ester or amine with an aquatic label'
    """
    named = " ".join(" or ".join(words) for words in (combination.active, combination.form) if words)
    label, soil = combination.aquatic_label, combination.soil_active
    if not named and label is None and soil is None:
        return ""
    words = ["soil-active"] if soil else []
    words.append(named or "products")
    words += [] if label is None else ["with an aquatic label" if label else "without an aquatic label"]
    words += ["that are not soil-active"] if soil is False else []
    return " ".join(words)


def describe_forbidden(setback: Setback) -> str:
    """Return what a rule forbids, with the survey that can lift it; an empty text where it forbids nothing."""
    if setback.forbids is None:
        return ""
    return describe_work(setback.forbids) + (UNLESS_SURVEYED if setback.unless_surveyed else "")


def describe_ban(combination: Combination) -> str:
    """Return what a rule forbids as a ban.

    Examples
    --------
    >>> describe_ban(Combination()), describe_ban(Combination(delivery=["broadcast", "spot"]))
    ('No herbicide', 'No broadcast or spot')
    """
    return f"No {describe_work(combination).removeprefix('every ').removeprefix('all ')}"


def describe_effect(setback: Setback) -> str:
    """Return what a rule forbids or asks for."""
    if setback.forbids is not None:
        return f"forbids {describe_forbidden(setback)}"
    words = describe_task(setback)
    return words[:1].lower() + words[1:]


def describe_task(setback: Setback) -> str:
    """Return what a rule asks for before or during work; empty for a rule that forbids and that no survey lifts."""
    if setback.permit is not None or setback.notify is not None:
        scope = "" if setback.applies_to is None else f" (for {describe_work(setback.applies_to)})"
        return f"Notify: {setback.notify}{scope}" if setback.permit is None else f"Permit: {setback.permit}{scope}"
    if setback.no_mixing:
        return "No mixing or filling here"
    return "Survey first: allowed only where a survey lifts the rule" if setback.unless_surveyed else ""


def name_task(setback: Setback) -> str:
    """Return the kind of thing that a rule asks for, in a word or two."""
    if setback.forbids is not None:
        return "survey"
    if setback.permit is not None:
        return "permit"
    return "notify" if setback.notify is not None else "no mixing or filling here"


def describe_season(setback: Setback) -> str:
    """Return the days on which a rule is in force; an empty text for the whole year."""
    return f"in force {show_window(setback.season)}" if setback.season else ""
