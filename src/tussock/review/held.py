"""In: what a folder holds. Out: `Held`: its tables in SI units, and what they say of units, features and rules."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.records import LOOK, ColumnDistance, FeatureFilter, Product, Setback, Treatment
from tussock.base.units import FOOT_M
from tussock.review.catalog import Catalog
from tussock.review.columns import code_pairs, find_places, read_number, read_si
from tussock.review.delivered import Delivered
from tussock.review.seasons import Stretch, find_planned
from tussock.review.stands import Stand, find_stand
from tussock.trade.actives import name_active

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Held:
    """The tables of a delivered plan, each read once, when it is first asked for."""

    delivered: Delivered
    catalog: Catalog

    @cached_property
    def system(self) -> c.UnitSystem:
        """Units that the tables are written in, told by their columns."""
        units = self.delivered.layers.get("units")
        return "metric" if units is not None and "area_ha" in units.columns else "us"

    def table(self, name: str) -> pd.DataFrame:
        """Return a table of the GeoPackage under SI names; blanks where a column is not there."""
        source: Any = self.delivered.layers.get(name)
        return self.table_of(self.delivered.tables.get(name) if source is None else source, name)

    def table_of(self, frame: pd.DataFrame | None, name: str) -> pd.DataFrame:
        """Return a frame under the SI names of a table."""
        return read_si(frame, c.SCHEMAS[name], self.system)

    @cached_property
    def units(self) -> pd.DataFrame:
        """Units in SI, one row for each in the order of the file."""
        return self.table("units")

    @cached_property
    def patches(self) -> pd.DataFrame:
        """Patches in SI."""
        return self.table("patches")

    @cached_property
    def compliance(self) -> pd.DataFrame:
        """Compliance rows in SI."""
        return self.table("compliance")

    @cached_property
    def options(self) -> pd.DataFrame:
        """Candidates of every unit."""
        return self.table("options")

    @cached_property
    def stems(self) -> pd.DataFrame:
        """Stem table in SI, no row where the site has none."""
        return self.table("stems")

    @cached_property
    def stand(self) -> Stand:
        """Stems of each patch by diameter class."""
        return find_stand(self.delivered.layers["patches"], self.patches, self.stems)

    @cached_property
    def hours(self) -> pd.DataFrame:
        """Terms of the hours of the planned units, in SI."""
        return self.table("unit_hours")

    @cached_property
    def unit_products(self) -> pd.DataFrame:
        """Products in the tank of each unit, in SI."""
        return self.table("unit_products")

    @cached_property
    def partner_share(self) -> dict[tuple[int, str], float]:
        """Share of the mix that the table of products states for each partner, by place of the unit and product."""
        table = self.unit_products
        table = table[table["role"] == "partner"]
        place = find_places(self.units["unit_id"], table["unit_id"])
        shares = (table["share_pct"] / 100).tolist()
        return dict(zip(zip(place.tolist(), table["product_id"].tolist(), strict=True), shares, strict=True))

    @cached_property
    def unit_hours_row(self) -> IntArray:
        """Row of each unit in the table of hours; -1 where it has none."""
        return find_places(self.hours["unit_id"], self.units["unit_id"])

    @cached_property
    def unit_patch(self) -> IntArray:
        """Place of each unit's patch in the patches; -1 where there is none."""
        return find_places(self.patches["patch_id"], self.units["patch_id"])

    @cached_property
    def treatments(self) -> list[Treatment]:
        """Treatments of the documents."""
        return list(self.catalog.treatments)

    @cached_property
    def unit_treatment(self) -> IntArray:
        """Place of each unit's treatment among `treatments`; -1 where there is none."""
        import pandas as pd

        known = pd.Series([item.id for item in self.treatments], dtype="str")
        return find_places(known, self.units["treatment_id"])

    def product(self, treatment: Treatment) -> Product | None:
        """Return the product of a treatment; None for a non-chemical way or a product that no document has."""
        return None if treatment.product is None else self.catalog.products.get(treatment.product)

    def components(self, treatment: Treatment) -> list[tuple[Product | None, float]]:
        """Return the products in a tank with their share of the mix, the treatment's own first."""
        if treatment.product is None:
            return []
        partners = [(item.product, item.concentration) for item in treatment.tank_mix]
        listed = [(treatment.product, treatment.concentration or 0.0), *partners]
        return [(self.catalog.products.get(name), share) for name, share in listed]

    @cached_property
    def _pair_codes(self) -> tuple[list[tuple[str, str]], IntArray]:
        return code_pairs(self.units["method"], self.units["product_id"])

    @property
    def pairs(self) -> list[tuple[str, str]]:
        """Every method and product that stand together in the columns of the units."""
        return self._pair_codes[0]

    @property
    def unit_pair(self) -> IntArray:
        """Place of each unit's method and product among `pairs`."""
        return self._pair_codes[1]

    @cached_property
    def unit_windows(self) -> dict[str, tuple[tuple[str, str], ...]]:
        """Runs of days that work may stand on, as ISO dates, by unit."""
        table = self.table("unit_windows")
        listed: dict[str, tuple[tuple[str, str], ...]] = {}
        for name, first, last in zip(table["unit_id"], table["first"], table["last"], strict=True):
            listed[name] = (*listed.get(name, ()), (first, last))
        return listed

    @cached_property
    def _date_codes(self) -> tuple[list[tuple[tuple[str, str], ...]], IntArray]:
        pairs = zip(self.units["unit_id"], self.units["season_from"], self.units["season_to"], strict=True)
        runs = [tuple(dict.fromkeys([(a, b), *self.unit_windows.get(name, ())])) for name, a, b in pairs]
        places = {run: place for place, run in enumerate(dict.fromkeys(runs))}
        return list(places), np.array([places[run] for run in runs], dtype=np.intp)

    @cached_property
    def date_runs(self) -> list[tuple[Stretch, ...] | None]:
        """Days that work may stand on, run by run, the longest first; None where any of their ends is no date."""
        found = []
        for runs in self._date_codes[0]:
            stretches = [find_planned(*run) for run in runs]
            found.append(None if None in stretches else tuple(item for item in stretches if item is not None))
        return found

    @property
    def unit_dates(self) -> IntArray:
        """Place of each unit's days among `date_runs`."""
        return self._date_codes[1]

    @cached_property
    def sprayed(self) -> BoolArray:
        """Units for which a herbicide is planned, by any of the columns that would say so."""
        chemical = np.array([item.product is not None for item in self.treatments] + [False], dtype=bool)
        return chemical[self.unit_treatment] | (self.units["product_id"] != "").to_numpy()

    @cached_property
    def looked(self) -> BoolArray:
        """Units that are planned to be looked at and not treated."""
        return ((self.units["status"] == "planned") & (self.units["method"] == LOOK)).to_numpy(dtype=bool)

    @cached_property
    def on_empty(self) -> BoolArray:
        """Units of patches that are said to have been found empty."""
        empty = (self.patches["found_empty"] != "").to_numpy(dtype=bool)
        found: BoolArray = np.append(empty, np.False_)[self.unit_patch]
        return found

    @cached_property
    def worked(self) -> BoolArray:
        """Units on which any work is planned, by any of the columns that would say so."""
        units = self.units
        named = (units["product_id"] != "") | (units["method"] != "") | (units["treatment_id"] != "")
        return (named & (units["status"] != "no_option")).to_numpy(dtype=bool)

    @cached_property
    def listed(self) -> BoolArray:
        """Which setback each unit lists, shape (setbacks, u)."""
        ids = [setback.id for _, setback in self.catalog.setbacks()]
        return self.find_pairs("unit_setbacks", ids)

    def find_pairs(self, name: str, ids: list[str]) -> BoolArray:
        """Tell which of some setbacks a table of units and setbacks names for each unit, shape (setbacks, u)."""
        table = self.table(name)
        unit = find_places(self.units["unit_id"], table["unit_id"])
        rule = {one: place for place, one in enumerate(ids)}
        row = np.array([rule.get(one, -1) for one in table["setback_id"].tolist()], dtype=np.intp)
        known = (unit >= 0) & (row >= 0)
        pairs = np.zeros((len(ids), len(self.units)), dtype=bool)
        pairs[row[known], unit[known]] = True
        return pairs

    @cached_property
    def _feature_columns(self) -> dict[tuple[str, str], NDArray[Any]]:
        return {}

    def feature_column(self, layer: str, name: str) -> NDArray[Any]:
        """Return a text column of a layer of features, lower case, blank where it is missing."""
        if (layer, name) not in self._feature_columns:
            frame = self.delivered.layers[layer]
            texts = np.full(len(frame), "", dtype=object)
            if name in frame.columns:
                values = frame[name]
                texts = np.where(values.isna(), "", values.astype(str).str.strip().str.casefold()).astype(object)
            self._feature_columns[layer, name] = texts
        return self._feature_columns[layer, name]

    @cached_property
    def record_product(self) -> list[str]:
        """Product of each record of earlier work, as it is written; blank where none is."""
        layer = self.delivered.layers.get("history")
        if layer is None or "product_id" not in layer.columns:
            return [""] * (0 if layer is None else len(layer))
        names = layer["product_id"]
        return [str(name).strip() if there else "" for name, there in zip(names, names.notna(), strict=True)]

    @cached_property
    def record_active(self) -> list[str]:
        """Active of each record of earlier work: that of its product, else the one that it names."""
        if "history" not in self.delivered.layers:
            return []
        products, own = self.catalog.products, self.catalog.active_names
        return [
            products[product].active if product in products else name_active(name, own) or name
            for product, name in zip(self.record_product, self.record_written, strict=True)
        ]

    @cached_property
    def record_written(self) -> list[str]:
        """Active that each record of earlier work names, as it is written (lower case)."""
        written: list[str] = self.feature_column("history", "active").tolist()
        return written

    def half_width_m(self, layer: str) -> FloatArray:
        """Return half the width of each feature [m]; 0 for what is not a line."""
        frame = self.delivered.layers[layer]
        if layer != "water":
            return np.zeros(len(frame))
        line = frame.geometry.geom_type.isin(["LineString", "MultiLineString"]).to_numpy()
        return np.where(line, read_number(frame, "width_m"), 0.0) / 2

    @cached_property
    def memo(self) -> dict[str, Any]:
        """What checks found on the ground and look up again, by name."""
        return {}

    def find_meant(self, wanted: FeatureFilter) -> BoolArray:
        """Tell which features a filter means: no kind counts as every kind, no state as wet."""
        if wanted.layer not in self.delivered.layers:
            return np.zeros(0, dtype=bool)
        kind = self.feature_column(wanted.layer, "kind")
        meant = np.ones(len(kind), dtype=bool)
        if wanted.kind:
            meant &= np.isin(kind, list(wanted.kind)) | (kind == "")
        if wanted.state is not None and wanted.layer == "water":
            dry = self.feature_column("water", "state") == "dry"
            meant &= dry if wanted.state == "dry" else ~dry
        if wanted.name:
            frame = self.delivered.layers[wanted.layer]
            if "name" in frame.columns:
                meant &= frame["name"].astype(str).str.strip().isin(wanted.name).to_numpy()
        return meant

    def required_m(self, setback: Setback, layer: str) -> FloatArray:
        """Return the distance that a rule asks for from each feature of a layer [m]."""
        frame = self.delivered.layers[layer]
        if isinstance(setback.distance, ColumnDistance):
            column = setback.distance
            size = FOOT_M if column.unit == "ft" else 1.0
            return np.nan_to_num(read_number(frame, column.column)) * size * column.times
        return np.full(len(frame), float(setback.distance_m or 0.0))
