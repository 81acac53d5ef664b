"""In: outlines that cross or fold onto themselves. Out: valid outlines with all of their ground."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

#: Ground that one way of mending has and the other has not, as a share of it, is rounding.
_ROUNDING: Final = 1e-9


def make_valid(outlines: NDArray[Any]) -> NDArray[Any]:
    """Return outlines valid, built anew from their rings: shells joined, holes taken out.

    GEOS builds a ring anew with a buffer of nothing, and where two of its edges cross within some 1e-11 m at a corner,
    that can leave nothing of a whole lake, or two parts with an edge in common. So what is left is compared with the
    ground that the lines of the outline enclose, and where there is less each ring is built from both.

    Parameters
    ----------
    outlines
        Geometries of any kind, shape (n,); points and lines come back as GEOS mends them.

    Returns
    -------
    ndarray of geometry, shape (n,)
        Valid; an outline without any ground is empty.
    """
    mended: NDArray[Any] = shapely.make_valid(outlines, method="structure", keep_collapsed=False)
    areal = np.flatnonzero(np.isin(shapely.get_type_id(outlines), (3, 6)))  # Polygon, MultiPolygon
    enclosed = shapely.area(shapely.make_valid(outlines[areal], method="linework"))
    lossy = shapely.area(mended[areal]) < enclosed * (1 - _ROUNDING)
    for place in areal[lossy | ~shapely.is_valid(mended[areal])].tolist():  # a loop over geometry: few outlines
        mended[place] = _build(outlines[place])
    return mended


def _build(outline: Any) -> Any:
    parts = []
    for part in shapely.get_parts(outline):
        shell, *holes = (_fill(ring) for ring in shapely.get_rings(part))
        parts.append(shapely.difference(shell, shapely.union_all(holes)) if holes else shell)
    return shapely.union_all(parts)


def _fill(ring: Any) -> Any:
    """Return all ground that a ring goes around."""
    face = shapely.Polygon(ring)
    lines = shapely.get_parts(shapely.make_valid(face, method="linework"))
    polygons = [item for item in lines if item.geom_type.endswith("Polygon")]
    return shapely.union_all([shapely.make_valid(face, method="structure", keep_collapsed=False), *polygons])
