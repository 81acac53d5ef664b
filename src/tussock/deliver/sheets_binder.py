"""In: a plan. Out: its rows by patch and unit, its rules and treatments by id: looked up once, used on every sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from tussock.base.columns import UnitSystem
from tussock.base.days import Span
from tussock.base.records import Ruleset, Setback, Treatment
from tussock.base.stages import PlanTables
from tussock.deliver.earlier import list_unit_runs
from tussock.deliver.sheets_ground import SiteMap
from tussock.deliver.sheets_words import Recipe, list_partners, read_recipe

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Binder:
    """A plan with the look-ups that the sheets need: made once, used for every patch."""

    plan: PlanTables
    site: SiteMap

    @property
    def system(self) -> UnitSystem:
        """Units of the sheets."""
        return self.plan.site.options.units

    @cached_property
    def units(self) -> Mapping[str, list[dict[str, Any]]]:
        """Rows of the units, by patch."""
        return _group(self.plan.units.drop(columns="geometry"), "patch_id")

    @cached_property
    def distances(self) -> Mapping[str, list[dict[str, Any]]]:
        """Rows of the setbacks in force, by unit."""
        table = self.plan.compliance
        return _group(table[table["distance_verdict"] != "clear"], "unit_id")

    @cached_property
    def features(self) -> Mapping[tuple[str, str], str]:
        """Features that distances were taken to, by unit and setback, those that are clear too."""
        table = self.plan.compliance
        return {
            (str(unit), str(setback)): str(feature)
            for unit, setback, feature in zip(table["unit_id"], table["setback_id"], table["feature"], strict=True)
        }

    @cached_property
    def checks(self) -> Mapping[str, list[str]]:
        """Setbacks whose distance wants a check in the field, by unit."""
        table = self.plan.relations["unit_checks"].drop_duplicates().sort_values("setback_id")
        return {name: [str(row["setback_id"]) for row in rows] for name, rows in _group(table, "unit_id").items()}

    @cached_property
    def _partners(self) -> Mapping[str, Mapping[str, float]]:
        return list_partners(self.plan)

    def read_recipe(self, unit: Mapping[str, Any], treatment: Treatment) -> Recipe:
        """Return the mix of a unit as it is planned there."""
        return read_recipe(unit, treatment, self._partners.get(str(unit["unit_id"]), {}))

    @cached_property
    def setbacks(self) -> Mapping[str, tuple[Ruleset, Setback]]:
        """Rules by id."""
        return {setback.id: (ruleset, setback) for ruleset, setback in self.plan.site.setbacks()}

    @cached_property
    def looks(self) -> Mapping[str, str]:
        """How each unit is drawn."""
        return dict(zip(self.site.unit_ids, self.site.unit_looks, strict=True))

    @cached_property
    def runs(self) -> Mapping[str, tuple[Span, ...]]:
        """Runs of days that work may stand on, by unit."""
        return list_unit_runs(self.plan)

    @cached_property
    def treatments(self) -> Mapping[str, Treatment]:
        """Treatments by id."""
        return {item.id: item for item in self.plan.site.treatments or ()}


def list_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as mappings by column."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _group(table: pd.DataFrame, key: str) -> dict[str, list[dict[str, Any]]]:
    grouped: dict[str, list[dict[str, Any]]] = {}
    for row in list_rows(table):
        grouped.setdefault(str(row[key]), []).append(row)
    return grouped
