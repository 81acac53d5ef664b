"""In: geometries of any kind, collections in collections too. Out: their points, lines and polygons, none left out."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

GeometryArray = NDArray[Any]
IntArray = NDArray[np.intp]

#: Types in GEOS.
_HOLDS_OTHERS: Final = (4, 5, 6, 7)  # MultiPoint, MultiLineString, MultiPolygon, GeometryCollection
_COLLECTION: Final = 7
#: What several parts of one dimension make.
_JOIN: Final = (shapely.multipoints, shapely.multilinestrings, shapely.multipolygons)
_WORDS: Final = ("point", "line", "polygon")


def list_parts(geometry: GeometryArray) -> tuple[GeometryArray, IntArray]:
    """Return the parts of geometries that hold no others, however deep they stand, and the place of each geometry.

    `shapely.get_parts` goes one level. Parts without a vertex are left out.
    """
    parts, owner = np.asarray(geometry, dtype=object), np.arange(len(geometry))
    while np.isin(shapely.get_type_id(parts), _HOLDS_OTHERS).any():
        parts, place = shapely.get_parts(parts, return_index=True)
        owner = owner[place]
    kept = ~(shapely.is_missing(parts) | shapely.is_empty(parts))
    return parts[kept], owner[kept]


def split_by_dimension(geometry: GeometryArray) -> tuple[GeometryArray, IntArray]:
    """Return geometries of one dimension each, polygons before lines before points, and the place each came from.

    A geometry of one kind comes back as it is, a collection as one geometry for each dimension that is in it.

    Parameters
    ----------
    geometry
        Geometries of any kind, none missing, shape (n,).

    Returns
    -------
    geometry, owner
        Points, lines, polygons and their multi-part kinds, and the place of the geometry that each is of, ascending,
        shape (m,) each; m is n or more, but for geometries without a vertex, which come back as nothing.
    """
    parts, owner = list_parts(geometry)
    dimension = shapely.get_dimensions(parts)
    key = owner * 3 + (2 - dimension)
    order = np.argsort(key, kind="stable")
    found, first, count = np.unique(key[order], return_index=True, return_counts=True)
    whose = found // 3
    split = np.empty(len(found), dtype=object)
    whole = _find_whole(geometry)[whose]
    split[whole] = geometry[whose[whole]]
    for place in np.flatnonzero(~whole).tolist():  # a loop over geometry: few features are collections
        own = parts[order[first[place] : first[place] + count[place]]]
        split[place] = own[0] if len(own) == 1 else _JOIN[2 - int(found[place] % 3)](own)
    return split, whose.astype(np.intp)


def _find_whole(geometry: GeometryArray) -> NDArray[np.bool_]:
    """Tell which geometries are no collection and have no part without a vertex."""
    parts, owner = shapely.get_parts(geometry, return_index=True)
    whole: NDArray[np.bool_] = shapely.get_type_id(geometry) != _COLLECTION
    whole[owner[shapely.is_empty(parts)]] = False
    return whole


def describe_parts(geometry: GeometryArray) -> str:
    """Return what geometries are made of, all together, in words: "1 polygon, 2 lines"."""
    dimension = shapely.get_dimensions(list_parts(geometry)[0])
    counts = [(int((dimension == number).sum()), _WORDS[number]) for number in (2, 1, 0)]
    return ", ".join(f"{count} {word}{'' if count == 1 else 's'}" for count, word in counts if count)


def find_odd(geometry: GeometryArray) -> dict[int, str]:
    """Return the places of geometries with a curve, or with a coordinate that is no number.

    Returns
    -------
    dict
        Place -> what was found, such as ``"a curve in a collection"``.
    """
    found: dict[int, str] = {}
    for place in np.flatnonzero(shapely.get_type_id(geometry) == _COLLECTION).tolist():  # a loop over geometry: few
        try:
            list_parts(geometry[[place]])
        except NotImplementedError:  # GEOS holds curves, shapely does not
            found[place] = "a curve in a collection"
    plain = np.setdiff1d(np.arange(len(geometry)), list(found))
    xy, owner = shapely.get_coordinates(geometry[plain], return_index=True)
    lost = plain[np.unique(owner[~np.isfinite(xy).all(axis=1)])]
    return found | dict.fromkeys(lost.tolist(), "a coordinate that is no number")
