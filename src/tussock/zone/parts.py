"""In: a cell with many patches. Out: parts of it, each with its own patches and the whole features that matter to them.

A patch belongs to one part, by the middle of its box along a Hilbert curve, and is cut there once. A part holds every
feature that a zone can reach from, and of each rule's features the nearest to each of its patches, however far: what
decides about a patch is the same in every part it could be in, and so are its units, bit by bit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.zone import reach as reaching
from tussock.zone.rules import choose_features, find_most_reach_m
from tussock.zone.units import Part

if TYPE_CHECKING:
    import geopandas as gpd

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

#: Patches of one part where nothing else is asked for: cut here, and sent to a scheduler.
PART_PATCHES: Final = 50_000
SENT_PATCHES: Final = 10_000
#: Of the vertices of a layer every eighth stands for its feature when the nearest is bounded.
_THINNED: Final = 8
#: Kept beyond every bound [m].
_MARGIN_M: Final = 1.0


def count_parts(patches: int, size: int) -> int:
    """Return how many parts a number of patches makes."""
    return max(-(-patches // size), 1)


def split_part(whole: Part, size: int) -> Iterator[Part]:
    """Split a cell into parts of at most ``size`` patches that lie together; one at a time, made when asked for."""
    cell = whole.cell
    count = len(cell.patches)
    if count <= size:
        yield whole
        return
    import geopandas as gpd

    box = shapely.bounds(np.asarray(cell.patches.geometry.array, dtype=object))
    middle = gpd.GeoSeries(shapely.points((box[:, :2] + box[:, 2:]) / 2))
    order = np.argsort(middle.hilbert_distance().to_numpy(), kind="stable")
    searches = {name: _Search(whole, name) for name in ("water", "receptors")}
    for start in range(0, count, size):
        members = np.sort(order[start : start + size])
        yield _pick(whole, members, box[members], searches)


def _pick(whole: Part, members: IntArray, box: FloatArray, searches: dict[str, _Search]) -> Part:
    cell = whole.cell
    own = cell.patches.iloc[members]
    overlaps = tuple(pair for pair in whole.overlaps if pair[0] in own.index or pair[1] in own.index)
    near = {name: getattr(cell, name).iloc[search.find_rows(box)] for name, search in searches.items()}
    treated = np.unique(cell.history.sindex.query(shapely.box(*box.T))[1])
    part = replace(
        cell,
        patches=own,
        others=cell.others.loc[cell.others.index.isin({name for pair in overlaps for name in pair})],
        history=cell.history.iloc[treated],
        **near,
    )
    return replace(whole, cell=part, patches=whole.patches.iloc[members], overlaps=overlaps)


@dataclass(frozen=True)
class _Kin:
    """Features that are searched for the nearest together: their rows, boxes, and some vertices of each."""

    rows: IntArray
    tree: shapely.STRtree
    vertices: shapely.STRtree
    spread_m: float


class _Search:
    """Finds the rows of one layer that can matter to patches."""

    def __init__(self, whole: Part, layer: str) -> None:
        frame: gpd.GeoDataFrame = getattr(whole.cell, layer)
        self.geometry = np.asarray(frame.geometry.array, dtype=object)
        self.reach_m = find_most_reach_m(
            whole.cell, whole.setbacks, whole.accuracy_m, layer, whole.look_out_m.get(layer, 0.0)
        )
        if layer == "water":
            reaches = [reaching.find_way(item).reach_m for item in whole.treatments]
            self.reach_m = max(self.reach_m, 2 * max(reaches, default=0.0) + _MARGIN_M)
        masks = [np.ones(len(frame), dtype=bool)]
        for _, setback in whole.setbacks:
            wanted = setback.source_filter
            if wanted is not None and wanted.layer == layer:
                masks.append(choose_features(frame, wanted))
        different = {mask.tobytes(): mask for mask in masks if mask.any()}
        self.kin = [self._make_kin(mask) for mask in different.values()]

    def _make_kin(self, mask: BoolArray) -> _Kin:
        rows = np.flatnonzero(mask)
        shapes = self.geometry[rows]
        xy, owner = shapely.get_coordinates(shapes, return_index=True)
        first = np.r_[True, np.diff(owner) != 0]
        kept = first | (np.arange(len(owner)) % _THINNED == 0)
        boxes = shapely.box(*shapely.bounds(shapes).T)
        # distances of rules are credited to features: two may differ by the longest reach
        return _Kin(rows, shapely.STRtree(boxes), shapely.STRtree(shapely.points(xy[kept])), self.reach_m)

    def find_rows(self, box: FloatArray) -> IntArray:
        """Return the rows that lie within reach of patches or can be the nearest of their kin to one, ascending.

        Parameters
        ----------
        box
            Of each patch, shape (n, 4).
        """
        found = np.zeros(len(self.geometry), dtype=bool)
        middle = shapely.points((box[:, :2] + box[:, 2:]) / 2)
        radius = np.hypot(*(box[:, 2:] - box[:, :2]).T) / 2
        for kin in self.kin:
            _, gap = kin.vertices.query_nearest(middle, return_distance=True, all_matches=False)
            far = np.maximum(gap + radius + kin.spread_m, self.reach_m)[:, None] + _MARGIN_M
            wide = shapely.box(*np.hstack([box[:, :2] - far, box[:, 2:] + far]).T)
            found[kin.rows[np.unique(kin.tree.query(wide)[1])]] = True
        return np.flatnonzero(found)
