"""In: the access layer, rules against mixing. Out: where vehicles stop, and where a mix may be made."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.records import ColumnDistance, Setback
from tussock.review.evidence import Evidence
from tussock.review.geometry import RADIUS_M, find_unit_vectors, move_outlines, move_to_degrees
from tussock.review.nearest import Nearest, Search, find_nearest, find_unsure
from tussock.review.setbacks import find_tolerance_m

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

#: Access features where a vehicle stops; where a site has none of them, every access feature counts.
_VEHICLE_KINDS: Final = ("road", "parking", "gate", "trailhead", "staging", "mixing")
#: Access features where a mix is made, in this order: the first kind that the site has counts.
_MIXING_KINDS: Final = (("mixing", "staging"), ("parking", "trailhead", "gate"))


def find_stops(evidence: Evidence) -> BoolArray:
    """Tell which access features are places where a vehicle stops."""
    if "access" not in evidence.delivered.layers:
        return np.zeros(0, dtype=bool)
    kind = evidence.feature_column("access", "kind")
    stops: BoolArray = np.isin(kind, _VEHICLE_KINDS)
    return stops if stops.any() else np.ones(len(kind), dtype=bool)


def pick_mixing(evidence: Evidence) -> BoolArray:
    """Tell which access features are places to mix at, whatever the rules say: those named, else by their kind."""
    if "access" not in evidence.delivered.layers:
        return np.zeros(0, dtype=bool)
    frame = evidence.delivered.layers["access"]
    areal = ~frame.geometry.geom_type.str.contains("Line").to_numpy(dtype=bool)
    operations = evidence.catalog.operations
    named = () if operations is None or operations.time is None else operations.time.mixing_at
    chosen = np.zeros(len(frame), dtype=bool)
    if not named:
        kind = evidence.feature_column("access", "kind")
        return next((found for kinds in _MIXING_KINDS if (found := areal & np.isin(kind, kinds)).any()), chosen)
    for column in [name for name in ("label", "name") if name in frame.columns]:
        chosen |= areal & frame[column].astype(str).isin(named).to_numpy(dtype=bool)
    return chosen


def find_mixing(evidence: Evidence) -> list[BoolArray]:
    """Return the places to mix at that no rule closes; then without those in doubt, and with all of them."""
    if "mixing" not in evidence.memo:
        evidence.memo["mixing"] = _find_mixing(evidence, pick_mixing(evidence))
    found: list[BoolArray] = evidence.memo["mixing"]
    return found


def _find_mixing(evidence: Evidence, chosen: BoolArray) -> list[BoolArray]:
    if not chosen.any():
        return [chosen]
    frame = evidence.delivered.layers["access"]
    closed, doubtful = np.zeros(len(frame), dtype=bool), np.zeros(len(frame), dtype=bool)
    for _, setback in evidence.catalog.setbacks():
        if setback.no_mixing is not None:
            margin = _find_margin_m(evidence, setback, np.flatnonzero(chosen))
            closed[chosen] |= margin <= 0
            doubtful[chosen] |= np.abs(margin) <= find_tolerance_m(np.abs(margin))
    # places of one name are closed together: a name is all that the table of hours has
    if "label" in frame.columns:
        closed |= frame["label"].isin(set(frame["label"][closed])).to_numpy(dtype=bool)
    sure = chosen & ~closed & ~doubtful
    return [chosen & ~closed, sure, chosen & (~closed | doubtful)]


def _find_margin_m(evidence: Evidence, setback: Setback, places: IntArray) -> FloatArray:
    """Return how far some access features stand beyond what a rule against mixing asks for [m]; at most 0 is closed."""
    wanted = setback.source_filter
    if wanted is None or setback.distance == "anywhere":
        return np.full(len(places), -np.inf)
    meant = evidence.find_meant(wanted)
    if not meant.any():
        return np.full(len(places), np.inf)
    required, half = evidence.required_m(setback, wanted.layer), evidence.half_width_m(wanted.layer)
    if isinstance(setback.distance, ColumnDistance):
        frame = evidence.delivered.layers[wanted.layer]
        blank = frame[setback.distance.column].isna().to_numpy(dtype=bool)
        if (blank & meant).any():  # a feature that does not bring its distance closes every place
            return np.full(len(places), -np.inf)
    degrees = move_to_degrees(evidence.outlines("access")[places], evidence.delivered.layers["access"].crs)
    nearest = _find_nearest(evidence, degrees, wanted.layer, np.where(meant, half + required, np.nan))
    gap = np.maximum(np.where(nearest.on, 0.0, nearest.distance_m - half[nearest.owner]), 0.0)
    margin: FloatArray = gap - required[nearest.owner]
    return margin


def _find_nearest(evidence: Evidence, degrees: NDArray[Any], layer: str, credit_m: FloatArray) -> Nearest:
    """Return the feature that binds each place: in the projection of a part of the site that it lies in, if any."""
    xy = shapely.get_coordinates(shapely.point_on_surface(degrees))
    sphere = find_unit_vectors(xy[:, 0], xy[:, 1])
    middle = np.array([part.middle for part, _ in evidence.local_parts]).reshape(-1, 3)
    nearest = np.argmax(sphere @ middle.T, axis=1) if len(middle) else np.zeros(len(xy), np.intp)
    found = Nearest(np.full(len(xy), -1, np.intp), np.full(len(xy), np.nan), np.zeros(len(xy), dtype=bool))
    left = np.ones(len(xy), dtype=bool)
    for place in np.unique(nearest).tolist() if len(middle) else ():
        part, edges = evidence.local_parts[place]
        far_m = np.linalg.norm(sphere - part.middle, axis=1) * RADIUS_M
        own = np.flatnonzero((nearest == place) & (far_m <= part.radius_m))
        some = Search(move_outlines(degrees[own], part.to_local), edges[layer], part).nearest(credit_m)
        sure = ~find_unsure(some, edges[layer], credit_m)
        found.put(own[sure], some, sure)
        left[own[sure]] = False
    rest = np.flatnonzero(left)
    found.put(rest, find_nearest(degrees[rest], evidence.edges[layer], credit_m))
    return found


def find_mixing_closed(evidence: Evidence) -> bool:
    """Tell whether rules close every place of the site that a mix could be made at."""
    places = pick_mixing(evidence)
    return bool(places.any()) and not find_mixing(evidence)[0].any()
