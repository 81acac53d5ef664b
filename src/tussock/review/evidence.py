"""In: the tables of a folder. Out: `Evidence`: those, and distances and areas measured anew, once each."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.records import Ruleset, Setback
from tussock.review.edges import straighten, straighten_near
from tussock.review.geometry import (
    Edges,
    LocalEdges,
    Part,
    cut_edges,
    fill,
    find_geodesic_area_m2,
    find_middle_lon,
    move_edges,
    move_outlines,
    move_to_degrees,
    rebuild,
    settle,
    split_site,
)
from tussock.review.held import Held
from tussock.review.measured import Measured
from tussock.review.nearest import Nearest, Search, find_unsure

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
class Evidence(Held):
    """Everything a check looks at. What is measured is measured once, when it is first asked for."""

    def with_units(self, units: pd.DataFrame) -> Evidence:
        """Return the same evidence with other amounts in its units; what was measured on the ground stays."""
        moved = Evidence(self.delivered, self.catalog)
        kept = {name: found for name, found in self.memo.items() if name != "efforts"}
        vars(moved).update(vars(self) | {"units": units, "memo": kept})
        return moved

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
        return settle(move_to_degrees(straighten(self.unit_outline, self.crs), self.crs), self.middle_lon)

    @cached_property
    def patch_degrees(self) -> NDArray[Any]:
        """Outlines of the patches in degrees."""
        return settle(self._patch_degrees, self.middle_lon)

    @cached_property
    def _patch_degrees(self) -> NDArray[Any]:
        crs = self.delivered.layers["patches"].crs
        return move_to_degrees(straighten(self.patch_outline, crs), crs)

    @cached_property
    def middle_lon(self) -> float:
        """Longitude in the middle of the patches: everything in degrees stands on its turn."""
        return find_middle_lon(self._patch_degrees)

    @cached_property
    def unit_area_m2(self) -> FloatArray:
        """Geodesic area of each unit."""
        return find_geodesic_area_m2(self.unit_degrees)

    @cached_property
    def patch_area_m2(self) -> FloatArray:
        """Geodesic area of each patch."""
        return find_geodesic_area_m2(self.patch_degrees)

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
    def parts(self) -> list[Part]:
        """Parts of the site, with the units that have an outline."""
        solid = np.flatnonzero(~shapely.is_empty(self.unit_degrees))
        points = shapely.get_coordinates(shapely.point_on_surface(self.unit_degrees[solid]))
        found = split_site(points[:, 0], points[:, 1])
        return [replace(part, members=solid[part.members]) for part in found]

    @cached_property
    def _feature_degrees(self) -> dict[str, NDArray[Any]]:
        return {}

    def feature_degrees(self, layer: str) -> NDArray[Any]:
        """Return the outlines of a layer of features in degrees."""
        if layer not in self._feature_degrees:
            crs = self.delivered.layers[layer].crs
            units = self.unit_outline if crs == self.crs else np.empty(0, dtype=object)
            moved = move_to_degrees(straighten_near(fill(self.outlines(layer)), crs, units), crs)
            self._feature_degrees[layer] = settle(moved, self.middle_lon)
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
