"""In: names of catalog files (or packaged rule sets). Out: rule sets, products, treatments, operations as records."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final

from tussock.base.errors import Fault, InputError, MissingInputError, QuantityError
from tussock.base.kinds import find_kind_faults
from tussock.base.records import Operations, Product, Record, Ruleset, Treatment
from tussock.base.stages import Document
from tussock.read.keys import build_record, find_line, read_toml
from tussock.trade import actives, rulesets


class ProductFile(Record):
    """A file of products."""

    product: tuple[Product, ...] = ()


class TreatmentFile(Record):
    """A file of treatments."""

    treatment: tuple[Treatment, ...] = ()


def read_rulesets(names: Sequence[str], folder: Path) -> tuple[list[Ruleset], list[Document]]:
    """Read rule sets, each a file beside the site file or the name of a packaged set.

    Raises
    ------
    InputError
        A file is missing or wrong, two setbacks have one id, or kinds are taken as others in two ways.
    """
    sets, documents = [], []
    for name in names:
        if not (folder / name).exists() and _packaged(name) is not None:
            data = rulesets.read_packaged(name)
            text = json.dumps(data, sort_keys=True, default=str)
            where = f"packaged rule set {name}"
        else:
            data, text = read_toml(folder / name, name)
            where = name
        sets.append(build_record(Ruleset, data, where, text))
        documents.append(_document("rules", name, text, data))
    places = zip(sets, documents, strict=True)
    _check_unique([(setback.id, document.name) for item, document in places for setback in item.setback], "setback")
    faults = [Fault(documents[place].name, "kinds", found, need) for place, found, need in find_kind_faults(sets)]
    if faults:
        raise InputError(faults)
    return sets, documents


def _packaged(name: str) -> str | None:
    wanted = name.casefold().removesuffix(".toml")
    return next((item for item in rulesets.packaged_names() if item.casefold() == wanted), None)


def read_products(names: Sequence[str], folder: Path) -> tuple[dict[str, Product], list[Document]]:
    """Read product files.

    Raises
    ------
    InputError
        A file is missing or wrong, two products have one id, or an active is not known.
    """
    products: list[tuple[Product, str]] = []
    lines: dict[str, int | None] = {}
    documents = []
    for name in names:
        data, text = read_toml(folder / name, name)
        for place, item in enumerate(build_record(ProductFile, data, name, text).product):
            products.append((item, name))
            lines[item.id] = find_line(text, ("product", place, "active"))
        documents.append(_document("products", name, text, data))
    files = {product.id: name for product, name in products}
    _check_unique([(product.id, name) for product, name in products], "product")
    try:
        settled, unknown = actives.settle_products({product.id: product for product, _ in products})
    except QuantityError as error:
        found, _, need = str(error).rpartition("; ")
        raise InputError(Fault(", ".join(names), "active_names", found, need)) from error
    faults = [
        Fault(
            files[name],
            f'product "{name}", active',
            f'"{settled[name].active}", which is not known',
            actives.describe_unknown(settled[name].active),
            lines[name],
        )
        for name in unknown
    ]
    if faults:
        raise InputError(faults)
    return settled, documents


def settle_rules(rulesets: list[Ruleset], documents: list[Document], products: dict[str, Product]) -> list[Ruleset]:
    """Return rule sets with the one name of each active that they forbid or list.

    Raises
    ------
    InputError
        A rule names an active that is not known: it would never match.
    """
    settled, unknown = actives.settle_rules(rulesets, actives.own_names(products.values()))
    files = {item.title: document.name for item, document in zip(rulesets, documents, strict=True)}
    faults = [
        Fault(files[title], "active", f'"{name}", which is not known', actives.describe_unknown(name))
        for title, name in dict.fromkeys(unknown)
    ]
    if faults:
        raise InputError(faults)
    return settled


def read_treatments(
    names: Sequence[str], folder: Path, products: dict[str, Product]
) -> tuple[list[Treatment], list[Document]]:
    """Read treatment files and check that each names a product of the catalog.

    Raises
    ------
    InputError
        A file is missing or wrong, two treatments have one id, or a product is not in the catalog.
    """
    treatments: list[tuple[Treatment, str]] = []
    documents, faults = [], []
    for name in names:
        data, text = read_toml(folder / name, name)
        for place, item in enumerate(build_record(TreatmentFile, data, name, text).treatment):
            treatments.append((item, name))
            if item.product is not None and item.product not in products:
                need = f"name one of {', '.join(sorted(products)) or '(no products are loaded)'}"
                line = find_line(text, ("treatment", place, "product"))
                faults.append(Fault(name, f'treatment "{item.id}", product', f'"{item.product}"', need, line))
            faults += [
                Fault(name, f'treatment "{item.id}", tank_mix', f'"{partner.product}"', "name a product of the catalog")
                for partner in item.tank_mix
                if partner.product not in products
            ]
        documents.append(_document("treatments", name, text, data))
    if faults:
        raise InputError(faults)
    _check_unique([(item.id, name) for item, name in treatments], "treatment")
    return [item for item, _ in treatments], documents


#: Tables of an operations file that stand once on a site.
_SINGLE_TABLES: Final = ("crew", "time", "money", "priorities", "calendar", "followup")


def read_operations(names: Sequence[str], folder: Path) -> tuple[Operations | None, list[Document]]:
    """Read operations files; several are joined, and all amounts are in one currency.

    Raises
    ------
    InputError
        A file is missing or wrong, two crews are given, or prices stand in two currencies.
    """
    parts, documents = [], []
    equipment: list[tuple[str, str]] = []
    for name in names:
        data, text = read_toml(folder / name, name)
        parts.append(build_record(Operations, data, name, text))
        equipment += [(item.id, name) for item in parts[-1].equipment]
        documents.append(_document("operations", name, text, data))
    if not parts:
        return None, documents
    single = {key: [getattr(part, key) for part in parts if getattr(part, key) is not None] for key in _SINGLE_TABLES}
    twice = [key for key, found in single.items() if len(found) > 1]
    if twice:
        found = f"{len(single[twice[0]])} tables [{twice[0]}]"
        raise InputError(Fault(", ".join(names), twice[0], found, f"keep one [{twice[0]}] table"))
    joined = Operations(
        **{key: found[0] for key, found in single.items() if found},
        equipment=_join(parts, lambda part: part.equipment),
        production=_join(parts, lambda part: part.production),
        price=_join(parts, lambda part: part.price),
    )
    currencies = joined.currencies()
    if len(currencies) > 1:
        found = " and ".join(currencies)
        raise InputError(Fault(", ".join(names), "prices", f"amounts in {found}", "write all amounts in one currency"))
    _check_unique(equipment, "equipment")
    return joined, documents


def _join(parts: Iterable[Operations], pick: Callable[[Operations], tuple[Any, ...]]) -> tuple[Any, ...]:
    return tuple(item for part in parts for item in pick(part))


def _document(role: str, name: str, text: str, data: dict[str, Any]) -> Document:
    return Document(role, name, hashlib.sha256(text.encode()).hexdigest(), data)


def _check_unique(ids: Iterable[tuple[str, str]], what: str) -> None:
    first: dict[str, str] = {}
    faults = []
    for item, where in ids:
        if item in first:
            found = f'"{item}" twice' + ("" if first[item] == where else f", also in {first[item]}")
            faults.append(Fault(where, f"{what} id", found, f"give each {what} an id of its own"))
        first.setdefault(item, where)
    if faults:
        raise InputError(faults)


def missing_files(names: Iterable[str], folder: Path, key: str) -> list[Fault]:
    """Return a fault for each catalog name that is neither a file nor a packaged rule set."""
    faults = []
    for name in names:
        if not (folder / name).is_file() and not (key == "rules" and _packaged(name) is not None):
            need = "put the file beside the site file or mend the path"
            if key == "rules":
                need += f"; packaged rule sets: {', '.join(rulesets.packaged_names())}"
            faults.append(Fault(name, f"catalog.{key}", "no such file", need))
    return faults


def raise_missing(faults: list[Fault]) -> None:
    """Raise what `missing_files` found, if anything."""
    if faults:
        raise MissingInputError(faults)
