"""In: the active as a label, a record or a rule writes it. Out: the one name under which its acid is counted."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Final, TypeVar

from tussock.base.errors import QuantityError
from tussock.base.records import Combination, Product, Record, Ruleset, Text, Words
from tussock.trade.tables import read_rows

_FILE: Final = "active_names.toml"
_BRACKETS: Final = re.compile(r"[()\[\]]")
_BREAKS: Final = re.compile(r"[\s\-\u2010-\u2015_/]+|,(?!\d)")
_NEAREST: Final = 3

CombinationT = TypeVar("CombinationT", bound=Combination)


class Parent(Record):
    """An acid (or a substance that is none) by its common name, and its other names."""

    name: Text
    also: Words = ()
    source: Text


class Modifier(Record):
    """Words behind the name of a parent that name a base, metal or alcohol, or nothing at all."""

    words: Words
    source: Text


def fold_name(name: str) -> str:
    """Return a name without what writers differ in: case, spaces, hyphens, brackets.

    Examples
    --------
    >>> fold_name("Triclopyr-Butotyl"), fold_name(" 2, 4-D (DMA salt)")
    ('triclopyr butotyl', '2,4 d dma salt')
    """
    text = re.sub(r"(?<=\d),\s+(?=\d)", ",", name.casefold())
    return " ".join(_BREAKS.sub(" ", _BRACKETS.sub(" ", text)).split())


@lru_cache(maxsize=1)
def _table() -> tuple[dict[str, str], re.Pattern[str]]:
    """Return the parents by each of their folded names, and what may follow one."""
    parents = [Parent.model_validate(row) for row in read_rows(_FILE, "parent")]
    modifiers = [Modifier.model_validate(row) for row in read_rows(_FILE, "modifier")]
    names = {fold_name(name): parent.name for parent in parents for name in (parent.name, *parent.also)}
    words = sorted({fold_name(word) for item in modifiers for word in item.words}, key=len, reverse=True)
    return names, re.compile(rf"(?: (?:{'|'.join(map(re.escape, words))}))*")


def list_actives() -> tuple[str, ...]:
    """Return the actives of the table, sorted."""
    return tuple(sorted(set(_table()[0].values()), key=str.casefold))


def name_active(name: str, own: Mapping[str, str] | None = None) -> str | None:
    """Return the active that a name stands for; None where it is not known.

    Parameters
    ----------
    name
        As it was written: the acid, or a salt or ester of it, with or without these words.
    own
        Names that the site's products add: folded name -> active; see `own_names`.

    Examples
    --------
    >>> name_active("Glyphosate isopropylamine salt"), name_active("2,4-D dimethylamine"), name_active("weed away")
    ('glyphosate', '2,4-D', None)
    """
    names, modifiers = _table()
    folded = fold_name(name)
    known = {**names, **(own or {})}
    if folded in known:
        return known[folded]
    starts = [parent for parent in known if folded.startswith(f"{parent} ")]
    longest = max(starts, key=len, default=None)
    if longest is None or modifiers.fullmatch(folded[len(longest) :]) is None:
        return None
    return known[longest]


@lru_cache(maxsize=1024)
def key_active(name: str) -> str:
    """Return what doses of one active are added up by: its folded name, also where the table does not know it."""
    found = name_active(name)
    return fold_name(name).removesuffix(" acid") if found is None else fold_name(found)


def own_names(products: Iterable[Product]) -> dict[str, str]:
    """Return the names that products add to the table by ``active_names``: folded name -> active.

    Raises
    ------
    QuantityError
        One name stands for two actives.
    """
    own: dict[str, str] = {}
    for product in products:
        if not product.active_names:
            continue
        parent = name_active(product.active) or own.get(fold_name(product.active)) or product.active.strip()
        for name in (product.active, *product.active_names):
            other = name_active(name, own) or parent
            if fold_name(other) != fold_name(parent):
                raise QuantityError(
                    f'product "{product.id}", active_names: "{name}" is a name of {other}, the product is {parent}; '
                    "give one active to each name"
                )
            own[fold_name(name)] = parent
    return own


def settle_products(products: Mapping[str, Product]) -> tuple[dict[str, Product], list[str]]:
    """Give products the one name of their active.

    Returns
    -------
    products, unknown
        By id, and the ids of those whose active is neither in the table nor named by ``active_names``.

    Raises
    ------
    QuantityError
        See `own_names`.
    """
    own = own_names(products.values())
    named = {name: name_active(product.active, own) for name, product in products.items()}
    settled = {
        name: product if named[name] is None else product.model_copy(update={"active": named[name]})
        for name, product in products.items()
    }
    return settled, [name for name, active in named.items() if active is None]


def settle_rules(rulesets: Iterable[Ruleset], own: Mapping[str, str]) -> tuple[list[Ruleset], list[tuple[str, str]]]:
    """Give what rules forbid, are about and list the one name of each active.

    Returns
    -------
    rulesets, unknown
        The sets, and where a name stands that is not known (set, name): no product would ever match it.
    """
    unknown: list[tuple[str, str]] = []

    def settle(combination: CombinationT, title: str) -> CombinationT:
        found = {name: name_active(name, own) for name in combination.active}
        unknown.extend((title, name) for name, active in found.items() if active is None)
        names = tuple(dict.fromkeys((active or name).casefold() for name, active in found.items()))
        return combination if names == combination.active else combination.model_copy(update={"active": names})

    settled = []
    for item in rulesets:
        setbacks = []
        for rule in item.setback:
            named = {"forbids": rule.forbids, "applies_to": rule.applies_to}
            about = {key: settle(work, item.title) for key, work in named.items() if work is not None}
            setbacks.append(rule.model_copy(update=about) if about else rule)
        listed = [settle(row, item.title) for row in item.listed]
        settled.append(item.model_copy(update={"setback": tuple(setbacks), "listed": tuple(listed)}))
    return settled, unknown


def describe_unknown(name: str) -> str:
    """Say what to do about an active that is not known, with the actives that come nearest by their letters."""
    import difflib

    folded = {fold_name(item): item for item in list_actives()}
    close = difflib.get_close_matches(fold_name(name), folded, n=_NEAREST, cutoff=0.6)
    near = f" (nearest: {', '.join(folded[item] for item in close)})" if close else ""
    return (
        f"write the common name of the acid, such as glyphosate or 2,4-D{near}; for an active that is not in the table "
        f'give a product of it active_names = ["..."] with every name that labels and records use'
    )
