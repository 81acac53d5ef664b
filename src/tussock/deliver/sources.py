"""In: a plan. Out: where each of its figures comes from: the user's files, line by line, and every default by name."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from tussock.base import columns as c
from tussock.base.records import Crew, FollowUp, MoneyPlan, Priorities, SeasonCalendar
from tussock.base.stages import PlanTables
from tussock.base.text import show
from tussock.trade.times import DEFAULTS

if TYPE_CHECKING:
    from pydantic import BaseModel

#: Topic, item, figure as it was written or taken (may be blank), source.
SourceRow: TypeAlias = tuple[str, str, str, str]

#: Paid day of one person where the crew's table gives none.
DAY: Final = DEFAULTS["day_s"]
NO_SOURCE: Final = "default, invented, no source: put in your own"
_NOT_STATED: Final = "not stated"
#: Tables of the operations files whose keys have defaults; those of ``[time]`` come with the plan.
_WITH_DEFAULTS: Final[Mapping[str, type[BaseModel]]] = {
    "crew": Crew,
    "money": MoneyPlan,
    "priorities": Priorities,
    "calendar": SeasonCalendar,
    "followup": FollowUp,
}
#: Keys that are lists of tables, or follow from other keys.
_NO_DEFAULT: Final = ("regrowth", "role")
#: What tells the rows of a list of tables apart.
_NAMES: Final = ("id", "name", "product", "method", "equipment", "species", "growth_form")


def list_sources(plan: PlanTables) -> list[SourceRow]:
    """Return the source of every product, rule, treatment and figure of the operations files.

    Parameters
    ----------
    plan
        With the documents it was made from.

    Returns
    -------
    list of tuple
        Topic, item, figure as the file writes it, source. A key that the file leaves out stands there with the default
        that was taken for it, marked as such.
    """
    site = plan.site
    rows: list[SourceRow] = [
        *(("source of product", product.id, "", product.source) for product in site.products.values()),
        *(("source of rule", setback.id, "", setback.source) for _, setback in site.setbacks()),
        *(("source of treatment", item.id, "", item.source or _NOT_STATED) for item in site.treatments or ()),
    ]
    if site.operations is None:
        return [*rows, ("source of operations", "none", "", "no operations file: hours and cost are blank")]
    documents = [item.content or {} for item in site.documents if item.role == "operations"]
    for content in documents:
        rows += _list_given(content)
    rows += _list_time_defaults(plan)
    given = {name: table for content in documents for name, table in content.items() if isinstance(table, dict)}
    for name, record in _WITH_DEFAULTS.items():
        if name in given:
            rows += _list_defaults(plan, name, record, given[name])
    return rows


def _list_given(content: Mapping[str, Any]) -> Iterator[SourceRow]:
    """Yield every key of an operations file with the text that stands there, beside the source of its table."""
    for table, value in content.items():
        if isinstance(value, dict):
            yield from _list_table(table, value, str(value.get("source", _NOT_STATED)))
        elif isinstance(value, list):
            for item in value:
                yield from _list_row(table, item, _NOT_STATED)


def _list_table(table: str, value: Mapping[str, Any], source: str) -> Iterator[SourceRow]:
    for key, figure in value.items():
        if isinstance(figure, list) and figure and isinstance(figure[0], dict):
            for item in figure:
                yield from _list_row(f"{table}.{key}", item, source)
        elif key != "source":
            yield "source of operations", f"{table}: {key}", _write(figure), source


def _list_row(table: str, item: Mapping[str, Any], source: str) -> Iterator[SourceRow]:
    """Yield the keys of one row of a list of tables, such as one ``[[price]]``."""
    names = [_write(item[key]) for key in _NAMES if key in item]
    label = f"{table} {', '.join(names)}".rstrip()
    for key, figure in item.items():
        if key not in (*_NAMES, "source"):
            yield "source of operations", f"{label}: {key}", _write(figure), str(item.get("source", source))


def _write(figure: Any) -> str:
    if isinstance(figure, list | tuple):
        return ", ".join(_write(item) for item in figure)
    if isinstance(figure, bool):
        return "true" if figure else "false"
    return str(figure)


def _list_time_defaults(plan: PlanTables) -> Iterator[SourceRow]:
    """Yield the times of the model that the operations file leaves out, as the plan took them."""
    basis = plan.work.get("time_basis")
    rows: list[dict[Any, Any]] = [] if basis is None else basis.to_dict("records")
    for row in rows:
        if row["taken_from"] != "operations file" and row["term"] != "day":
            figure = "by slope" if math.isnan(row["size"]) else f"{row['size']:.4g} {row['unit']}".rstrip()
            yield "default of operations", f"time: {row['term']}", figure, row["source"]


def _list_defaults(plan: PlanTables, table: str, record: type[BaseModel], given: Mapping[str, Any]) -> list[SourceRow]:
    """List the keys of a table that the operations file leaves out, with the default that was taken."""
    rows = []
    for name, field in record.model_fields.items():
        key = field.alias or name
        if key in given or field.is_required() or key in _NO_DEFAULT or (key == "licensed" and given.get("role")):
            continue
        figure = _show_default(plan, name, DAY.size if key == "day" else field.get_default())
        rows.append(("default of operations", f"{table}: {key}", figure, DAY.source if key == "day" else NO_SOURCE))
    return rows


def _show_default(plan: PlanTables, name: str, value: Any) -> str:
    """Return a default in the units of the site; its kind follows from the unit in its name."""
    system = plan.site.options.units
    if value is None or value == ():
        return "none"
    if name.endswith("_m2"):
        return show(float(value), c.AREA, system)
    if name.endswith("_m"):
        return show(float(value), c.LENGTH, system)
    if name.endswith("_s"):
        return f"{float(value) / 60:g} min"
    if name in ("gap", "stop_below", "contingency"):
        return f"{float(value) * 100:g} %"
    return _write(value)
