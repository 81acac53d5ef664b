"""In: the documents that a plan's run.json holds. Out: the rules, products and treatments it was made by."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from tussock.base.days import Season
from tussock.base.errors import QuantityError
from tussock.base.records import Closure, Operations, Product, Ruleset, SeasonDates, Setback, Treatment
from tussock.base.text import show_season, show_validity
from tussock.base.units import parse_quantity
from tussock.review.rows import Row, violation, warning
from tussock.trade.actives import own_names, settle_products, settle_rules

ModelT = TypeVar("ModelT", bound=BaseModel)

#: Sliver area where the site file gives none [m2].
_SLIVER_M2: Final = 1.0
_FEW: Final = 3
_ENDS: Final = 2


@dataclass(frozen=True)
class Catalog:
    """What a plan was made by, as records. ``rows`` says what of it could not be read.

    Attributes
    ----------
    season
        Days of the plan; None where the site document gives none.
    sliver_area_m2
        Pieces under this area were merged by the plan.
    accuracy_m
        Stated positional accuracy of each layer [m], 0 where none is stated.
    active_names
        Names of actives that the products add to the table of names.
    complete
        Whether every document was read whole; without it nothing that rests on rules or products can be checked.
    """

    name: str = ""
    season: Season | None = None
    units: str = ""
    sliver_area_m2: float = _SLIVER_M2
    accuracy_m: Mapping[str, float] = field(default_factory=dict)
    rulesets: tuple[Ruleset, ...] = ()
    products: Mapping[str, Product] = field(default_factory=dict)
    active_names: Mapping[str, str] = field(default_factory=dict)
    treatments: tuple[Treatment, ...] = ()
    treats: bool = False
    operations: Operations | None = None
    hot_season: tuple[str, str] | None = None
    closures: tuple[Closure, ...] = ()
    accepted: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    complete: bool = True

    def setbacks(self) -> list[tuple[Ruleset, Setback]]:
        """Return every setback with its set, in the order of the documents."""
        return [(ruleset, setback) for ruleset in self.rulesets for setback in ruleset.setback]


def read_catalog(documents: Iterable[Mapping[str, Any]]) -> Catalog:
    """Read the documents of run.json.

    Parameters
    ----------
    documents
        Each with ``role``, ``name`` and, for TOML, ``content``.
    """
    listed = [item for item in documents if isinstance(item, Mapping)]
    rows: list[Row] = []
    by_role: dict[str, list[tuple[str, Mapping[str, Any]]]] = {}
    for item in listed:
        content = item.get("content")
        if isinstance(content, Mapping):
            by_role.setdefault(str(item.get("role")), []).append((str(item.get("name")), content))
    site = _read_site(by_role.get("site", []), rows)
    rulesets = [_build(Ruleset, content, name, rows) for name, content in by_role.get("rules", [])]
    products = _build_rows(Product, "product", by_role.get("products", []), rows)
    treatments = _build_rows(Treatment, "treatment", by_role.get("treatments", []), rows)
    operations = [_build(Operations, content, name, rows) for name, content in by_role.get("operations", [])]
    named, own = _settle_products(products, rows)
    settled, unknown = settle_rules([item for item in rulesets if item is not None], own)
    rows += [
        violation(f"run.json, rule set {title}", f"the active {name!r}", "one that is known") for title, name in unknown
    ]
    return Catalog(
        **site,
        rulesets=tuple(settled),
        products=named,
        active_names=own,
        treatments=tuple(treatments),
        treats="treatments" in by_role,
        operations=_join_operations([item for item in operations if item is not None]),
        rows=tuple(rows),
        complete=not any(row.level == "violation" for row in rows),
    )


def _settle_products(products: list[Product], rows: list[Row]) -> tuple[dict[str, Product], dict[str, str]]:
    """Return the products under the one name of their active, and the names that they add to the table."""
    by_id = {item.id: item for item in products}
    try:
        settled, unknown = settle_products(by_id)
    except QuantityError as error:
        rows.append(violation("run.json, products", str(error)))
        return by_id, {}
    rows += [
        violation(f"run.json, product {name}", f"the active {by_id[name].active!r}", "one that is known")
        for name in unknown
    ]
    return settled, own_names(by_id.values())


def _read_site(found: list[tuple[str, Mapping[str, Any]]], rows: list[Row]) -> dict[str, Any]:
    """Return season, units, sliver area and accuracies of the site document."""
    if not found:
        rows.append(violation("run.json, documents", "no site document", "the content of the site file"))
        return {}
    name, content = found[0]
    header = content.get("site")
    layers = content.get("layers")
    if not isinstance(header, Mapping) or not isinstance(layers, Mapping):
        rows.append(violation(f"run.json, {name}", "a site document without [site] and [layers]", "both tables"))
        return {}
    accuracy = {}
    for layer, spec in layers.items():
        text = spec.get("accuracy") if isinstance(spec, Mapping) else None
        accuracy[str(layer)] = 0.0 if text is None else _read_size(text, "m", f"{name}, layers.{layer}.accuracy", rows)
    sliver = header.get("sliver_area")
    closures = content.get("closure", [])
    built = [_build(Closure, item, f"{name}, closure", rows) for item in closures if isinstance(item, Mapping)]
    hot = header.get("hot_season")
    dates = _build(SeasonDates, header.get("season"), f"{name}, site.season", rows)
    accepted = header.get("accept_out_of_date", [])
    return {
        "name": str(header.get("name", "")),
        "season": None if dates is None else dates.season(),
        "units": str(header.get("units", "us")),
        "sliver_area_m2": _SLIVER_M2 if sliver is None else _read_size(sliver, "m2", f"{name}, site.sliver_area", rows),
        "accuracy_m": accuracy,
        "hot_season": (str(hot[0]), str(hot[1])) if isinstance(hot, list) and len(hot) == _ENDS else None,
        "closures": tuple(item for item in built if item is not None),
        "accepted": tuple(map(str, accepted)) if isinstance(accepted, list) else (str(accepted),),
    }


def _read_size(text: object, unit: str, where: str, rows: list[Row]) -> float:
    try:
        return parse_quantity(text, unit)
    except QuantityError as error:
        rows.append(violation(f"run.json, {where}", str(error)))
        return 0.0


def _build(model: type[ModelT], content: Any, where: str, rows: list[Row]) -> ModelT | None:
    try:
        return model.model_validate(dict(content) if isinstance(content, Mapping) else content)
    except (ValidationError, QuantityError) as error:
        rows.append(violation(f"run.json, {where}", _shorten(error), "", "what rests on this document is not checked"))
        return None


def _shorten(error: Exception) -> str:
    if not isinstance(error, ValidationError):
        return str(error)
    parts = [
        ".".join(str(part) for part in item["loc"]) + ": " + item["msg"].removeprefix("Value error, ")
        for item in error.errors()
    ]
    return "; ".join(parts[:_FEW]) + (f"; and {len(parts) - _FEW} more" if len(parts) > _FEW else "")


def _build_rows(
    model: type[ModelT], key: str, documents: list[tuple[str, Mapping[str, Any]]], rows: list[Row]
) -> list[ModelT]:
    built = []
    seen: set[str] = set()
    for name, content in documents:
        listed = content.get(key, [])
        for item in listed if isinstance(listed, list) else []:
            record = _build(model, item, f"{name}, {key}", rows) if isinstance(item, Mapping) else None
            if record is None:
                continue
            built.append(record)
            identifier = str(getattr(record, "id", ""))
            if identifier in seen:
                rows.append(violation(f"run.json, {name}", f'{key} "{identifier}" twice', "one of each id"))
            seen.add(identifier)
    return built


def _join_operations(parts: list[Operations]) -> Operations | None:
    if not parts:
        return None
    return Operations(
        crew=next((part.crew for part in parts if part.crew is not None), None),
        time=next((part.time for part in parts if part.time is not None), None),
        equipment=tuple(item for part in parts for item in part.equipment),
        production=tuple(item for part in parts for item in part.production),
        price=tuple(item for part in parts for item in part.price),
    )


def list_drafts(catalog: Catalog) -> list[Row]:
    """Return a warning for each rule set that is a draft, and for dates that miss the season."""
    rows = []
    for ruleset in catalog.rulesets:
        header = ruleset.ruleset
        if header.status == "draft":
            note = "it can refuse, but nothing passes as checked by it"
            rows.append(warning(f"rule set {header.title}", "status draft", "status checked", note))
        first, last, season = header.valid_from, header.valid_to, catalog.season
        if season is not None and (
            (first is not None and first > season.last) or (last is not None and last < season.first)
        ):
            found = f"valid {show_validity(first, last)}"
            rows.append(warning(f"rule set {header.title}", found, f"a set for {show_season(season)}"))
    return rows
