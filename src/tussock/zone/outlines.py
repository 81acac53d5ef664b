"""In: pieces of patches, moved outlines. Out: patches put together from their pieces, outlines valid again."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.zone.kernel import Pieces

#: Patches put together again from their units keep their area to this share.
_JOIN_TOLERANCE: Final = 1e-9


def join_faces(pieces: Pieces, cut: NDArray[np.intp]) -> NDArray[Any]:
    """Return patches again from their pieces, with the vertices that the cuts have put on their outlines."""
    own = np.flatnonzero(np.isin(pieces.patch, cut))
    parts, place = shapely.get_parts(pieces.geometry[own], return_index=True)
    heaps = shapely.geometrycollections(parts, indices=np.searchsorted(cut, pieces.patch[own][place])).reshape(-1, 1)
    joined: NDArray[Any] = shapely.coverage_union_all(heaps, axis=1)  # pieces share their edges vertex by vertex
    whole = np.bincount(np.searchsorted(cut, pieces.patch[own]), shapely.area(pieces.geometry[own]))
    odd = ~shapely.is_valid(joined) | (np.abs(shapely.area(joined) - whole) > _JOIN_TOLERANCE * whole)
    if odd.any():  # a merged sliver has moved a vertex
        joined[odd] = shapely.union_all(heaps[odd], axis=1)
    return joined


def mend_outlines(outlines: NDArray[Any]) -> NDArray[Any]:
    """Return outlines valid again where rounding in another CRS has folded an edge onto its neighbour.

    Of outlines in many parts only the broken parts are touched, unless it is the parts that meet.
    """
    broken = np.flatnonzero(~shapely.is_valid(outlines))
    if not len(broken):
        return outlines
    outlines = outlines.copy()
    parts, owner = shapely.get_parts(outlines[broken], return_index=True)
    folded = ~shapely.is_valid(parts)
    parts[folded] = _make_valid(parts[folded])
    parts, part = shapely.get_parts(parts, return_index=True)
    for place, number in enumerate(broken.tolist()):  # a loop over geometry: few outlines are ever broken
        heap = shapely.multipolygons(parts[(owner[part] == place) & ~shapely.is_empty(parts)])
        whole = heap if heap.is_valid else _make_valid(outlines[number])
        outlines[number] = whole.geoms[0] if whole.geom_type == "MultiPolygon" and len(whole.geoms) == 1 else whole
    return outlines


def _make_valid(outlines: Any) -> Any:
    return shapely.make_valid(outlines, method="structure", keep_collapsed=False)
