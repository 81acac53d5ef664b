"""In: standing places, boats, water, treatments. Out: for one patch the ground that a treatment does not reach.

On dry ground, and in water that is waded, a person walks up to the plant, so a reach limits nothing there. In open
water a person works from the bank: from the standing places of the access layer where any are mapped, else from
anywhere on it; or from a boat, where the access layer says so. A machine works where it stands, and stands in no water.
Where no water at all is mapped, wet and dry cannot be told apart and standing places limit the whole patch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.trade.methods import METHODS, find_reach_m
from tussock.trade.places import find_access_use, find_launch_touch_m, is_waded
from tussock.zone.features import Groups, as_objects

if TYPE_CHECKING:
    import geopandas as gpd

    from tussock.base.records import Treatment
    from tussock.base.stages import Cell

GeometryArray = NDArray[Any]

_ARC_SEGMENTS: Final = 64
#: Ground out of reach under this area is a shared edge and not ground [m2].
_NO_GROUND_M2: Final = 0.01
#: Shores are looked for this far around a unit at first [m].
_FIRST_LOOK_M: Final = 100.0
_POLYGONS: Final = ("Polygon", "MultiPolygon")


@dataclass(frozen=True)
class Way:
    """How a treatment is worked: who must stand within which reach [m], and whether a boat will do."""

    stands: Literal["person", "machine"]
    reach_m: float
    from_boat: bool


@dataclass(frozen=True)
class Places:
    """Features to work from, with their names."""

    geometry: GeometryArray
    label: list[str]

    def near(self, geometry: Any, distance_m: float) -> GeometryArray:
        """Return the features within a distance of a geometry [m]."""
        near: GeometryArray = self.geometry[shapely.dwithin(self.geometry, geometry, distance_m)]
        return near

    def find_nearest(self, geometry: Any) -> tuple[float, str]:
        """Return distance [m] and name of the nearest feature; of several as near as each other the first by name."""
        distance = shapely.distance(self.geometry, geometry)
        least = float(distance.min())
        return least, min(self.label[place] for place in np.flatnonzero(distance == least).tolist())


@dataclass(frozen=True)
class Water:
    """Ground under water, in pieces that one index finds."""

    pieces: GeometryArray

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Index of the pieces."""
        return shapely.STRtree(self.pieces)

    def gather(self, window: Any) -> Any | None:
        """Return the water that shares ground with a window, pieces whole; None where there is none."""
        near = np.sort(self.tree.query(window, predicate="intersects"))
        return shapely.union_all(self.pieces[near]) if len(near) else None


@dataclass(frozen=True)
class Reach:
    """What limits the reach of a treatment in one cell.

    ``open_water`` is water that nobody wades, ``wet`` all that is not dry; ``boats`` is ground that boats work on.
    """

    standing: Places
    boats: Places
    open_water: Water
    wet: Water
    water_mapped: bool


def make_reach(cell: Cell, groups: Groups) -> Reach:
    """Gather standing places, boats and water of a cell."""
    access, water = cell.access, cell.water
    uses = np.array([find_access_use(str(kind)) for kind in access["kind"]], dtype=object)
    shapes = np.asarray(access.geometry.array, dtype=object)
    labels = [str(label) for label in access["label"]]
    wet = (water["state"] != "dry").to_numpy(dtype=bool)
    is_open = wet & ~find_waded(water)
    firm = np.flatnonzero(uses == "standing")
    return Reach(
        standing=Places(shapes[firm], [labels[place] for place in firm.tolist()]),
        boats=_find_boats(uses, shapes, labels, _draw_water(water, is_open)),
        open_water=_cut_water(water, is_open, groups),
        wet=_cut_water(water, wet, groups),
        water_mapped=len(water) > 0,
    )


def find_waded(water: gpd.GeoDataFrame) -> NDArray[np.bool_]:
    """Tell which waters a person walks into: as the mapper says, else by their kind."""
    said = water["wade"].to_numpy(dtype=object)
    usual = np.array([is_waded(str(kind)) for kind in water["kind"]], dtype=bool)
    return np.where(said == "", usual, said == "yes").astype(bool)


def _draw_water(water: gpd.GeoDataFrame, chosen: NDArray[np.bool_]) -> GeometryArray:
    """Return the ground of each of some waters whole; lines as wide as they are."""
    shapes = np.asarray(water.geometry.array, dtype=object)[chosen]
    width = water["width_m"].to_numpy(dtype=float)[chosen]
    areal = np.isin(shapely.get_type_id(shapes), (3, 6))
    drawn = shapes.copy()
    drawn[~areal] = shapely.buffer(shapes[~areal], width[~areal] / 2, quad_segs=_ARC_SEGMENTS)
    ground: GeometryArray = drawn[shapely.area(drawn) > 0]
    return ground


def _cut_water(water: gpd.GeoDataFrame, chosen: NDArray[np.bool_], groups: Groups) -> Water:
    """Return the ground of some waters in pieces: large areas in cells, lines as wide as they are."""
    areal = water.geometry.geom_type.isin(_POLYGONS).to_numpy(dtype=bool)
    cells = groups.make(water, chosen & areal).cells
    return Water(np.concatenate([cells, _draw_water(water, chosen & ~areal)]))


def _find_boats(uses: NDArray[Any], shapes: GeometryArray, labels: list[str], open_water: GeometryArray) -> Places:
    """Return the ground that boats work on: each water that a launch touches, each area for boats."""
    ground: list[Any] = []
    label: list[str] = []
    for place in np.flatnonzero((uses == "boat") & np.isin(shapely.get_type_id(shapes), (3, 6))).tolist():
        ground.append(shapes[place])
        label.append(labels[place])
    for place in np.flatnonzero(uses == "launch").tolist():
        touched = open_water[shapely.dwithin(open_water, shapes[place], find_launch_touch_m())]
        ground += list(touched)
        label += [labels[place]] * len(touched)
    return Places(as_objects(ground), label)


def find_way(treatment: Treatment) -> Way:
    """Return how a treatment is worked."""
    method = METHODS[treatment.method]
    return Way(method.stands, find_reach_m(treatment), method.from_boat)


def find_limited(reach: Reach, patches: GeometryArray, most_m: float) -> NDArray[np.bool_]:
    """Tell which patches a reach up to this long [m] can limit at all, shape (n,)."""
    if not reach.water_mapped:
        return np.full(len(patches), len(reach.standing.label) > 0)
    margin = np.array([-1.0, -1.0, 1.0, 1.0]) * (2 * most_m + 1.0)
    near = np.zeros(len(patches), dtype=bool)
    near[reach.wet.tree.query(shapely.box(*(shapely.bounds(patches) + margin).T))[0]] = True
    return near


def draw_out_of_reach(reach: Reach, patch: Any, way: Way) -> tuple[Any | None, Any | None]:
    """Return the ground at a patch that a way of working does not reach on foot, and that it does not reach by boat.

    Parameters
    ----------
    reach
        What it is worked from.
    patch
        Patch outline.
    way
        Who must stand within which reach.

    Returns
    -------
    on_foot, by_boat
        None where all of the patch is reached; both are one where no boat is near.
    """
    window = _make_window(patch, way.reach_m)
    limited = _find_limited(reach, window, way)
    if limited is None or limited.is_empty:
        return None, None
    left = limited
    if way.stands == "person" and len(reach.standing.label):
        left = _take_off(limited, reach.standing.near(patch, way.reach_m), way.reach_m)
    elif reach.water_mapped and way.reach_m > 0:
        left = shapely.buffer(limited, -way.reach_m, quad_segs=_ARC_SEGMENTS)
    if shapely.area(shapely.intersection(left, patch)) <= _NO_GROUND_M2:
        return None, None
    boats = reach.boats.near(patch, way.reach_m) if way.from_boat else reach.boats.geometry[:0]
    if not len(boats):
        return left, left
    beyond = _take_off(left, shapely.intersection(boats, window), way.reach_m)
    return left, beyond if shapely.area(shapely.intersection(beyond, patch)) > _NO_GROUND_M2 else None


def _take_off(ground: Any, places: GeometryArray, reach_m: float) -> Any:
    """Return ground without what lies within reach of some places."""
    return shapely.difference(ground, shapely.union_all(shapely.buffer(places, reach_m, quad_segs=_ARC_SEGMENTS)))


def _make_window(geometry: Any, reach_m: float) -> Any:
    west, south, east, north = geometry.bounds
    margin = 2 * reach_m + 1.0
    return shapely.box(west - margin, south - margin, east + margin, north + margin)


def _find_limited(reach: Reach, window: Any, way: Way) -> Any | None:
    """Return the ground near a patch where nobody stands as a matter of course; None where there is none."""
    if not reach.water_mapped:
        return window if len(reach.standing.label) else None
    return (reach.wet if way.stands == "machine" else reach.open_water).gather(window)


def find_standing_distance_m(reach: Reach, geometry: Any, way: Way) -> tuple[float, str]:
    """Return how far the nearest place to stand is from a unit [m], and its name: a standing place, else the bank."""
    if way.stands == "person" and len(reach.standing.label):
        return reach.standing.find_nearest(geometry)
    if not reach.water_mapped:
        return float("nan"), ""
    water = reach.wet if way.stands == "machine" else reach.open_water
    look_m = _FIRST_LOOK_M
    while True:
        west, south, east, north = geometry.bounds
        window = shapely.box(west - look_m, south - look_m, east + look_m, north + look_m)
        near = np.sort(water.tree.query(window, predicate="intersects"))
        distance = float(shapely.distance(shapely.boundary(shapely.union_all(water.pieces[near])), geometry))
        if distance <= look_m or len(near) == len(water.pieces):
            return distance, "the bank"
        look_m *= 2
