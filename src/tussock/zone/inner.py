"""In: faces. Out: a point well inside each, by which it is told where the face lies."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

#: A point nearer to the outline than this [m] tells a side only by its last digits: a better one is looked for.
_CLOSE_M: Final = 1e-6


def find_inner_points(faces: NDArray[Any]) -> NDArray[Any]:
    """Return a point inside each face.

    The point in the middle of a face's widest stretch at half its height, which GEOS gives, falls onto the outline
    where that height passes through a spike alone. Such a face gets the middle of the widest of its triangles.

    Parameters
    ----------
    faces
        Valid polygons in metres, shape (n,).

    Returns
    -------
    ndarray of Point, shape (n,)
    """
    points: NDArray[Any] = shapely.point_on_surface(faces)
    gap = shapely.distance(shapely.boundary(faces), points)
    for place in (gap < _CLOSE_M).nonzero()[0].tolist():  # a loop over geometry: few faces ever have a spike
        other = _find_middle(faces[place])
        if other is not None and faces[place].boundary.distance(other) > gap[place]:
            points[place] = other
    return points


def _find_middle(face: Any) -> Any | None:
    """Return the middle of the circle in the triangle of a face that has the widest one; None without a triangle."""
    xy = shapely.get_coordinates(shapely.get_parts(shapely.constrained_delaunay_triangles(face))).reshape(-1, 4, 2)
    sides = np.hypot(*np.moveaxis(xy[:, [1, 2, 0]] - xy[:, [2, 0, 1]], -1, 0))
    (ax, ay), (bx, by) = (xy[:, 1] - xy[:, 0]).T, (xy[:, 2] - xy[:, 0]).T
    length = sides.sum(axis=1)
    wide = np.divide(np.abs(ax * by - ay * bx), length, out=np.zeros_like(length), where=length > 0)
    if not wide.any():
        return None
    best = int(np.argmax(wide))
    return shapely.Point((xy[best, :3] * sides[best, :, None]).sum(axis=0) / length[best])
