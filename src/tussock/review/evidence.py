"""In: what a folder holds. Out: `Evidence`: its tables in SI units, distances and areas measured anew, once each."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.records import ColumnDistance, FeatureFilter, Product, Ruleset, Setback, Treatment
from tussock.base.units import FOOT_M
from tussock.review.catalog import Catalog
from tussock.review.columns import SCHEMAS, code_pairs, find_places, read_number, read_si
from tussock.review.delivered import Delivered
from tussock.review.geometry import (
    Edges,
    LocalEdges,
    Part,
    cut_edges,
    fill,
    find_geodesic_area_m2,
    move_edges,
    move_outlines,
    move_to_degrees,
    rebuild,
    split_site,
)
from tussock.review.measured import Measured
from tussock.review.nearest import Nearest, Search, find_unsure
from tussock.review.seasons import Days, find_planned
from tussock.review.stands import Stand, find_stand

if TYPE_CHECKING:
    import pandas as pd
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


#: Units that one thread searches for at a time, and threads.
_PIECE: Final = 5_000
_WORKERS: Final = min(4, os.cpu_count() or 1)


@dataclass(frozen=True)
class Evidence:
    """Everything a check looks at. What is measured is measured once, when it is first asked for."""

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
        return read_si(frame, SCHEMAS[name], self.system)

    def with_units(self, units: pd.DataFrame) -> Evidence:
        """Return the same evidence with other amounts in its units; what was measured on the ground stays."""
        moved = Evidence(self.delivered, self.catalog)
        kept = {name: found for name, found in self.memo.items() if name != "efforts"}
        vars(moved).update(vars(self) | {"units": units, "memo": kept})
        return moved

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
    def unit_hours_row(self) -> IntArray:
        """Row of each unit in the table of hours; -1 where it has none."""
        return find_places(self.hours["unit_id"], self.units["unit_id"])

    @cached_property
    def crs(self) -> CRS:
        """CRS of the units."""
        crs: CRS = self.delivered.layers["units"].crs
        return crs

    def outlines(self, name: str) -> NDArray[Any]:
        """Return the outlines of a layer, none where it has none."""
        layer = self.delivered.layers.get(name)
        return np.empty(0, dtype=object) if layer is None else np.asarray(layer.geometry.array, dtype=object)

    @cached_property
    def unit_outline(self) -> NDArray[Any]:
        """Outlines of the units as they stand in the file; an empty polygon where there is none."""
        return fill(self.outlines("units"))

    @cached_property
    def patch_outline(self) -> NDArray[Any]:
        """Outlines of the patches as they stand in the file."""
        return fill(self.outlines("patches"))

    @cached_property
    def unit_ground(self) -> NDArray[Any]:
        """Outlines of the units, rebuilt where they cross or touch themselves: for ground in common."""
        return rebuild(self.unit_outline)

    @cached_property
    def patch_ground(self) -> NDArray[Any]:
        """Outlines of the patches, rebuilt where they cross or touch themselves."""
        return rebuild(self.patch_outline)

    @cached_property
    def unit_degrees(self) -> NDArray[Any]:
        """Outlines of the units in degrees."""
        return move_to_degrees(self.unit_outline, self.crs)

    @cached_property
    def patch_degrees(self) -> NDArray[Any]:
        """Outlines of the patches in degrees."""
        return move_to_degrees(self.patch_outline, self.delivered.layers["patches"].crs)

    @cached_property
    def unit_area_m2(self) -> FloatArray:
        """Geodesic area of each unit."""
        return find_geodesic_area_m2(self.unit_degrees)

    @cached_property
    def patch_area_m2(self) -> FloatArray:
        """Geodesic area of each patch."""
        return find_geodesic_area_m2(self.patch_degrees)

    @cached_property
    def unit_patch(self) -> IntArray:
        """Place of each unit's patch in the patches; -1 where there is none."""
        return find_places(self.patches["patch_id"], self.units["patch_id"])

    @cached_property
    def unit_pairs(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of units with ground in common: both places, and the area in the squared unit of the CRS."""
        outline = self.unit_ground
        sound = np.flatnonzero(~shapely.is_empty(outline))
        first, second = shapely.STRtree(outline[sound]).query(outline[sound], predicate="intersects")
        keep = first < second
        first, second = sound[first[keep]], sound[second[keep]]
        area = shapely.area(shapely.intersection(outline[first], outline[second]))
        common = area > 0
        return first[common], second[common], area[common]

    @cached_property
    def unit_scale(self) -> FloatArray:
        """Square metres of true ground for one squared unit of the CRS, at each unit."""
        planar = shapely.area(self.unit_outline)
        scale: FloatArray = np.divide(self.unit_area_m2, planar, out=np.zeros_like(planar), where=planar > 0)
        return scale

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
    def has_stem_table(self) -> bool:
        """Whether the plan was made with a table of stems."""
        layers = self.delivered.run.get("layers")
        listed = layers if isinstance(layers, list) else []
        return any(isinstance(item, dict) and item.get("name") == "stems" for item in listed)

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
    def _date_codes(self) -> tuple[list[tuple[str, str]], IntArray]:
        return code_pairs(self.units["season_from"], self.units["season_to"])

    @cached_property
    def date_pairs(self) -> list[Days | None]:
        """Days of every pair of dates among the units; None where they are no dates."""
        return [find_planned(*pair) for pair in self._date_codes[0]]

    @property
    def unit_dates(self) -> IntArray:
        """Place of each unit's dates among `date_pairs`."""
        return self._date_codes[1]

    @cached_property
    def sprayed(self) -> BoolArray:
        """Units for which a herbicide is planned, by any of the columns that would say so."""
        chemical = np.array([item.product is not None for item in self.treatments] + [False], dtype=bool)
        return chemical[self.unit_treatment] | (self.units["product_id"] != "").to_numpy()

    @cached_property
    def listed(self) -> BoolArray:
        """Which setback each unit lists, shape (setbacks, u)."""
        ids = [setback.id for _, setback in self.catalog.setbacks()]
        texts, code = np.unique(self.units["setbacks"].to_numpy(dtype=object).astype(str), return_inverse=True)
        rows = np.array([[name in text.split(";") for text in texts] for name in ids], dtype=bool)
        return rows.reshape(len(ids), len(texts))[:, code] if len(texts) else np.zeros((len(ids), 0), dtype=bool)

    @cached_property
    def parts(self) -> list[Part]:
        """Parts of the site, with the units that have an outline."""
        solid = np.flatnonzero(~shapely.is_empty(self.unit_degrees))
        points = shapely.get_coordinates(shapely.point_on_surface(self.unit_degrees[solid]))
        found = split_site(points[:, 0], points[:, 1])
        return [replace(part, members=solid[part.members]) for part in found]

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

    def half_width_m(self, layer: str) -> FloatArray:
        """Return half the width of each feature [m]; 0 for what is not a line."""
        frame = self.delivered.layers[layer]
        if layer != "water":
            return np.zeros(len(frame))
        line = frame.geometry.geom_type.isin(["LineString", "MultiLineString"]).to_numpy()
        return np.where(line, read_number(frame, "width_m"), 0.0) / 2

    @cached_property
    def _feature_degrees(self) -> dict[str, NDArray[Any]]:
        return {}

    def feature_degrees(self, layer: str) -> NDArray[Any]:
        """Return the outlines of a layer of features in degrees."""
        if layer not in self._feature_degrees:
            moved = move_to_degrees(fill(self.outlines(layer)), self.delivered.layers[layer].crs)
            self._feature_degrees[layer] = moved
        return self._feature_degrees[layer]

    @cached_property
    def _near_features(self) -> dict[tuple[str, bytes], tuple[NDArray[Any], IntArray]]:
        return {}

    def move_near(self, layer: str, chosen: BoolArray, part: Part, edges: LocalEdges) -> tuple[NDArray[Any], IntArray]:
        """Return the chosen features that lie near a part, in its projection [m], and their rows in the layer."""
        key = layer, part.middle.tobytes()
        if key not in self._near_features:
            near = np.union1d(edges.run_owner, edges.area_owner).astype(np.intp)
            self._near_features[key] = move_outlines(self.feature_degrees(layer)[near], part.to_local), near
        shapes, rows = self._near_features[key]
        return shapes[chosen[rows]], rows[chosen[rows]]

    @cached_property
    def edges(self) -> dict[str, Edges]:
        """Outlines of water, receptors and access, cut into runs."""
        return {
            name: cut_edges(self.feature_degrees(name))
            for name in ("water", "receptors", "access")
            if name in self.delivered.layers
        }

    @cached_property
    def local_parts(self) -> list[tuple[Part, dict[str, LocalEdges]]]:
        """Parts of the site with the edges around, in their projection [m]."""
        return [(part, {name: move_edges(item, part) for name, item in self.edges.items()}) for part in self.parts]

    @cached_property
    def local(self) -> list[tuple[Part, NDArray[Any], dict[str, LocalEdges]]]:
        """Parts of the site with the outlines of their units and the edges around, in their projection [m].

        A part with many units comes in several pieces, which share its edges.
        """
        pieces = []
        for part, edges in self.local_parts:
            for members in np.array_split(part.members, -(-len(part.members) // _PIECE)):
                outline = move_outlines(self.unit_degrees[members], part.to_local)
                pieces.append((replace(part, members=members), outline, edges))
        return pieces

    @cached_property
    def memo(self) -> dict[str, Any]:
        """What checks found on the ground and look up again, by name."""
        return {}

    @cached_property
    def _layer_searches(self) -> dict[str, list[Search]]:
        return {}

    def _searches(self, layer: str) -> list[Search]:
        """Return the search of a layer in each piece of `local`."""
        if layer not in self._layer_searches:
            self._layer_searches[layer] = [Search(outline, edges[layer], part) for part, outline, edges in self.local]
        return self._layer_searches[layer]

    @cached_property
    def _nearest(self) -> dict[tuple[str, bytes], Nearest]:
        return {}

    def nearest(self, layer: str, credit_m: FloatArray) -> Nearest:
        """Return the binding feature of a layer for every unit; credits that differ by a constant share one search.

        Parameters
        ----------
        layer
            ``"water"``, ``"receptors"`` or ``"access"``.
        credit_m
            Half width and required distance of each feature; nan for features that are not meant.
        """
        base = np.nanmin(credit_m) if np.isfinite(credit_m).any() else 0.0
        key = (layer, np.round(credit_m - base, 12).tobytes())
        if key not in self._nearest:
            count = len(self.units)
            found = Nearest(np.full(count, -1, np.intp), np.full(count, np.nan), np.zeros(count, dtype=bool))
            base_credit = credit_m - base
            with ThreadPoolExecutor(_WORKERS) as pool:  # a search leaves the interpreter, so threads share the work
                searches = self._searches(layer)
                finds = pool.map(lambda one: one.find(base_credit), searches)
                for (part, outline, edges), search, one in zip(self.local, searches, finds, strict=True):
                    some = search.measure(one, base_credit)
                    self._look_further(layer, base_credit, part, outline, edges[layer], some)
                    found.put(part.members, some)
            self._nearest[key] = found
        return self._nearest[key]

    def _look_further(
        self,
        layer: str,
        credit_m: FloatArray,
        part: Part,
        outline: NDArray[Any],
        edges: LocalEdges,
        some: Nearest,
    ) -> None:
        """Search all features, however far, for the outlines where the near ones do not settle it."""
        unsure = np.flatnonzero(find_unsure(some, edges, credit_m))
        if not len(unsure):
            return
        every = move_edges(self.edges[layer], part, ~np.isnan(credit_m))
        far = Search(outline[unsure], every, part).nearest(credit_m)
        some.owner[unsure], some.distance_m[unsure] = far.owner, far.distance_m
        some.on[unsure] |= far.on

    @cached_property
    def measured(self) -> list[Measured]:
        """Every setback measured against every unit, in the order of the documents."""
        return [self._measure(ruleset, setback) for ruleset, setback in self.catalog.setbacks()]

    def _measure(self, ruleset: Ruleset, setback: Setback) -> Measured:
        count = len(self.units)
        blank = np.full(count, np.nan)
        nobody, nowhere = np.full(count, -1, np.intp), np.zeros(count, dtype=bool)
        wanted = setback.source_filter
        if setback.distance == "anywhere" or wanted is None:
            return Measured(ruleset, setback, True, True, blank, blank, blank, nobody, nowhere, 0.0)
        accuracy = self.catalog.accuracy_m
        error_m = accuracy.get("infestations", 0.0) + accuracy.get(wanted.layer, 0.0)
        meant = self.find_meant(wanted)
        if not meant.any():
            return Measured(ruleset, setback, False, False, blank, blank, blank, nobody, nowhere, error_m)
        half = self.half_width_m(wanted.layer)
        required = self.required_m(setback, wanted.layer)
        nearest = self.nearest(wanted.layer, np.where(meant, half + required, np.nan))
        distance = nearest.distance_m - half[nearest.owner]
        on = nearest.on | (distance <= 0)
        return Measured(
            ruleset,
            setback,
            False,
            True,
            distance,
            required[nearest.owner],
            half[nearest.owner],
            nearest.owner,
            on,
            error_m,
        )

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
