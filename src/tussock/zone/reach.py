"""In: standing places, open water and throws. Out: for one patch the ground that no stream from firm ground reaches.

On dry ground the crew walks up to the plant, so a throw limits nothing there. In open water it works from the bank:
from the standing places of the access layer where any are mapped, else from anywhere on the bank. Where no water at
all is mapped, wet and dry cannot be told apart and standing places limit the whole patch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.trade.methods import METHODS
from tussock.zone.features import FeatureGroup, Groups

if TYPE_CHECKING:
    import geopandas as gpd

    from tussock.base.records import Treatment
    from tussock.base.stages import Cell

#: Access features for vehicles: nobody throws a stream from them, so they are not standing places.
VEHICLE_KINDS: Final = frozenset({"road", "parking", "gate", "trailhead"})
#: Waters that a crew walks into: ground there is not limited by a throw.
WADED_KINDS: Final = frozenset({"wetland", "marsh", "swamp", "bog", "fen", "seep", "wet meadow"})
_ARC_SEGMENTS: Final = 64


@dataclass(frozen=True)
class Reach:
    """What limits a throw in one cell."""

    standing: gpd.GeoDataFrame
    open_water: FeatureGroup
    water_mapped: bool


def make_reach(cell: Cell, groups: Groups) -> Reach:
    """Gather standing places and open water of a cell."""
    standing = cell.access[~cell.access["kind"].isin(VEHICLE_KINDS)] if len(cell.access) else cell.access
    water = cell.water
    if not len(water):
        return Reach(standing, groups.make(water, np.zeros(0, dtype=bool)), water_mapped=False)
    areal = water.geometry.geom_type.isin(["Polygon", "MultiPolygon"]).to_numpy()
    is_open = areal & (water["state"] != "dry").to_numpy() & ~water["kind"].isin(WADED_KINDS).to_numpy()
    return Reach(standing, groups.make(water, is_open), water_mapped=True)


def find_throws_m(treatments: tuple[Treatment, ...], species: str, growth_form: str) -> list[float]:
    """Return the different throws [m] of the treatments that suit a patch, shortest first."""
    throws = {find_throw_m(item) for item in treatments if item.suits(species, growth_form)}
    return sorted(throw for throw in throws if throw is not None)


def find_throw_m(treatment: Treatment) -> float | None:
    """Return the throw of a treatment [m]: its own, or its method's usual one; None where nothing is thrown."""
    return treatment.throw_m if treatment.throw_m is not None else METHODS[treatment.method].throw_m


def find_limited(reach: Reach, patches: NDArray[Any], throw_m: float) -> NDArray[np.bool_]:
    """Tell which patches a throw up to this long [m] can limit at all, shape (n,)."""
    if not reach.water_mapped:
        return np.full(len(patches), len(reach.standing) > 0)
    margin = np.array([-1.0, -1.0, 1.0, 1.0]) * (2 * throw_m + 1.0)
    near = np.zeros(len(patches), dtype=bool)
    near[reach.open_water.cell_tree.query(shapely.box(*(shapely.bounds(patches) + margin).T))[0]] = True
    return near


def draw_out_of_reach(reach: Reach, patch: Any, throw_m: float) -> Any | None:
    """Return the ground at a patch that is limited and further than a throw; None where there is none.

    Parameters
    ----------
    reach
        Standing places and open water.
    patch
        Patch outline.
    throw_m
        Throw [m].
    """
    limited = _find_limited(reach, patch, throw_m)
    if limited is None or limited.is_empty:
        return None
    if len(reach.standing):
        near = reach.standing.geometry.array
        near = np.asarray(near, dtype=object)[shapely.dwithin(near, patch, throw_m)]
        covered = shapely.union_all(shapely.buffer(near, throw_m, quad_segs=_ARC_SEGMENTS))
        left = shapely.difference(limited, covered)
    else:
        left = shapely.buffer(limited, -throw_m, quad_segs=_ARC_SEGMENTS)
    return left if shapely.area(shapely.intersection(left, patch)) > 0 else None


def _find_limited(reach: Reach, patch: Any, throw_m: float) -> Any | None:
    west, south, east, north = patch.bounds
    margin = 2 * throw_m + 1.0
    window = shapely.box(west - margin, south - margin, east + margin, north + margin)
    if not reach.water_mapped:
        return window if len(reach.standing) else None
    water = reach.open_water
    if not len(water.cells):
        return None
    near = np.sort(water.cell_tree.query(window, predicate="intersects"))
    return shapely.union_all(water.cells[near]) if len(near) else None


def find_standing_distance_m(reach: Reach, geometry: Any) -> tuple[float, str]:
    """Return the distance from a unit to the nearest standing place [m] and its name; else to the bank."""
    if len(reach.standing):
        distance = shapely.distance(np.asarray(reach.standing.geometry.array, dtype=object), geometry)
        place = int(np.argmin(distance))
        return float(distance[place]), str(reach.standing["label"].iloc[place])
    near = np.sort(reach.open_water.cell_tree.query(geometry, predicate="intersects"))
    bank = shapely.boundary(shapely.union_all(reach.open_water.cells[near]))
    return float(shapely.distance(bank, geometry)), "the bank"
