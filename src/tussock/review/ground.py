"""In: patches and units of a delivered plan. Out: findings on CRS, outlines, tiling and areas."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.review.columns import find_places, read_number
from tussock.review.evidence import Evidence
from tussock.review.geometry import find_geodesic_m
from tussock.review.rows import Row, info, pick_rows, show_number, violation, warning

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]

#: Areas agree with the geodesic area to this, relative.
AREA_TOLERANCE: Final = 1e-5
#: Rounding of coordinates moves an outline by at most this [m], and the geodesic area of a sliver is off by some
#: 1e-5 m2 in any implementation of it; both count in slivers only.
_ROUNDING_M: Final = 1e-6
_ROUNDING_M2: Final = 1e-4
#: An outline that touches itself keeps its area to this, relative, when it is rebuilt.
_TOUCHING: Final = 1e-6
#: Units add up to their patch, and overlap or leave out at most this, relative to the patch.
TILING_TOLERANCE: Final = 1e-9
#: A point of the compliance table may stand off its unit by this [degrees], a tenth of a metre.
_POINT_OFF_DEG: Final = 1e-6
#: The working CRS is centred to a hundredth of a degree; half of that, and the rounding.
_CENTRE_OFF_DEG: Final = 0.02


def check_crs(evidence: Evidence) -> list[Row]:
    """Check that all layers have one CRS, and that outlines lie where the plan says that it measured them."""
    layers = evidence.delivered.layers
    rows = [
        violation(f"plan.gpkg, {name}", "no CRS", "the CRS of the infestation layer")
        for name, frame in layers.items()
        if frame.crs is None
    ]
    if rows:
        return rows
    own = evidence.crs
    rows += [
        violation(f"plan.gpkg, {name}", frame.crs.name, own.name, "layers in two CRSs do not lie on one ground")
        for name, frame in layers.items()
        if frame.crs != own
    ]
    rows += (
        _check_delivered(evidence, own) + _check_use(evidence, own) + _check_points(evidence) + _check_centre(evidence)
    )
    return [*rows, info("plan.gpkg", f"{len(layers)} layers in {own.name}")]


def _check_delivered(evidence: Evidence, own: CRS) -> list[Row]:
    """Compare the CRS of the layers with the one that run.json names."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    named = evidence.delivered.run["crs"].get("delivered")
    try:
        same = CRS.from_user_input(named) == own
    except CRSError:
        return [violation("run.json, crs.delivered", repr(named), own.name, "not a CRS")]
    return [] if same else [violation("plan.gpkg, units", own.name, str(named), "run.json names another CRS")]


def _check_use(evidence: Evidence, own: CRS) -> list[Row]:
    """Check that coordinates are places on the globe, near the area that the CRS is made for."""
    box = shapely.total_bounds(evidence.unit_degrees)
    if not np.isfinite(box).all():
        return [violation("plan.gpkg, units", "coordinates outside the CRS", f"places in {own.name}")]
    use = own.area_of_use
    if use is None or use.west > use.east:
        return []
    margin = 3.0
    inside = (
        use.west - margin <= box[0]
        and box[2] <= use.east + margin
        and use.south - margin <= box[1]
        and box[3] <= use.north + margin
    )
    if inside:
        return []
    where = f"{box[1]:.3f} to {box[3]:.3f} north, {box[0]:.3f} to {box[2]:.3f} east"
    return [warning("plan.gpkg, units", where, f"the area of use of {own.name}", "check the CRS")]


def _check_points(evidence: Evidence) -> list[Row]:
    """Check that the point of a unit which a distance was measured from lies on the unit."""
    table = evidence.delivered.tables.get("compliance")
    if table is None or "from_lon" not in table.columns:
        return []
    lon, lat = read_number(table, "from_lon"), read_number(table, "from_lat")
    known = table[np.isfinite(lon) & np.isfinite(lat)].drop_duplicates("unit_id")
    place = find_places(evidence.units["unit_id"], known["unit_id"].astype(str))
    found = place >= 0
    box = shapely.bounds(evidence.unit_degrees)
    lon = read_number(known, "from_lon")
    middle = np.where(found, (box[place, 0] + box[place, 2]) / 2, lon)
    lon = lon + 360.0 * np.round((middle - lon) / 360.0)  # a unit across 180 degrees may be drawn on another turn
    points = shapely.points(lon, read_number(known, "from_lat"))
    off = shapely.distance(points[found], evidence.unit_degrees[place[found]])
    ids = known["unit_id"].to_numpy()[found]

    def describe(row: int) -> Row:
        text = f"{off[row] * 111_000:.1f} m (some) off the point that its distance was measured from"
        return violation(f"unit {ids[row]}", text, "the ground that was measured", "moved, or in another CRS")

    return pick_rows(off > _POINT_OFF_DEG, describe, off)


def _check_centre(evidence: Evidence) -> list[Row]:
    """Check that the CRS that was worked in, where it was chosen for the site, is centred on it."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    run = evidence.delivered.run["crs"]
    if run.get("chosen") != "auto" or run.get("cells") != 1:
        return []
    try:
        operation = CRS.from_wkt(str(run.get("wkt"))).coordinate_operation
    except CRSError:
        return [violation("run.json, crs.wkt", "not a CRS", "the CRS that distances were worked in")]
    origin = {} if operation is None else {item.name: item.value for item in operation.params}
    lat, lon = origin.get("Latitude of natural origin"), origin.get("Longitude of natural origin")
    if lat is None or lon is None:
        return [violation("run.json, crs.wkt", "a CRS without a centre", "an equal-area CRS centred on the site")]
    west, south, east, north = shapely.total_bounds(evidence.patch_degrees)
    off_lat = max(south - lat, lat - north, 0.0)
    off_lon = min(max(west - turn - lon, lon - east + turn, 0.0) for turn in (-360.0, 0.0, 360.0))
    if off_lat <= _CENTRE_OFF_DEG and off_lon * np.cos(np.radians(lat)) <= _CENTRE_OFF_DEG:
        return []
    metres = find_geodesic_m(np.array([[lon, lat]]), np.array([[(west + east) / 2, (south + north) / 2]]))[0]
    found = f"patches {metres / 1000:.1f} km from {lat:.2f}, {lon:.2f}"
    return [violation("plan.gpkg, patches", found, "patches where the plan was measured", "moved, or in another CRS")]


def check_tiling(evidence: Evidence) -> list[Row]:
    """Check that the units of a patch cover it once: no gap, no overlap, nothing outside, no unit without patch."""
    rows = _check_outlines(evidence)
    units, place = evidence.units, evidence.unit_patch
    unit_ids, patch_ids = units["unit_id"].to_numpy(), evidence.patches["patch_id"].to_numpy()
    patch_area = shapely.area(evidence.patch_outline)
    unit_area = shapely.area(evidence.unit_outline)
    rows += pick_rows(
        place < 0,
        lambda k: violation(
            f"unit {unit_ids[k]}", f"patch {units['patch_id'].iloc[k]!r}", "a patch of the layer patches"
        ),
    )
    known = place >= 0
    total = np.bincount(place[known], unit_area[known], minlength=len(patch_ids))
    size = np.where(patch_area > 0, patch_area, 1.0)
    off = (total - patch_area) / size
    rows += pick_rows(
        np.abs(off) > TILING_TOLERANCE,
        lambda k: violation(
            f"patch {patch_ids[k]}",
            f"units add up to {1 + off[k]:.9f} of it",
            "1.000000000",
            "a gap: ground without a unit" if off[k] < 0 else "ground in two units, or outside the patch",
        ),
        np.abs(off),
    )
    rows += _check_overlaps(evidence, size) + _check_outside(evidence, size)
    return [*rows, info("plan.gpkg", f"{len(units)} units against {len(patch_ids)} patches")]


def _check_outlines(evidence: Evidence) -> list[Row]:
    """Check that outlines are there and sound; one that only touches itself, by rounding, is a warning."""
    rows: list[Row] = []
    for name, rebuilt, ids in (
        ("patches", evidence.patch_ground, evidence.patches["patch_id"].to_numpy()),
        ("units", evidence.unit_ground, evidence.units["unit_id"].to_numpy()),
    ):
        drawn = evidence.patch_outline if name == "patches" else evidence.unit_outline
        reasons = shapely.is_valid_reason(drawn)
        lost = shapely.is_empty(drawn) | shapely.is_empty(rebuilt)
        change = np.abs(shapely.area(rebuilt) - shapely.area(drawn))
        broken = ~shapely.is_valid(drawn) & ~lost
        grave = broken & (change > _TOUCHING * shapely.area(rebuilt))
        rows += pick_rows(lost, lambda k, ids=ids: violation(str(ids[k]), "no outline", "a sound outline"))  # type: ignore[misc]
        rows += pick_rows(
            grave,
            lambda k, ids=ids, reasons=reasons: violation(str(ids[k]), str(reasons[k]), "a sound outline"),  # type: ignore[misc]
        )
        rows += pick_rows(
            broken & ~grave,
            lambda k, ids=ids, reasons=reasons: warning(  # type: ignore[misc]
                str(ids[k]), str(reasons[k]), "a sound outline", "touches itself: its area is the same when rebuilt"
            ),
        )
    return rows


def _check_overlaps(evidence: Evidence, size: FloatArray) -> list[Row]:
    first, second, area = evidence.unit_pairs
    place = evidence.unit_patch
    own = (place[first] == place[second]) & (place[first] >= 0)
    share = np.where(own, area / size[place[first]], 0.0)
    ids = evidence.units["unit_id"].to_numpy()
    return pick_rows(
        share > TILING_TOLERANCE,
        lambda k: violation(
            f"units {ids[first[k]]} and {ids[second[k]]}",
            f"{share[k]:.3g} of the patch in both",
            "no ground in two units",
        ),
        share,
    )


def _check_outside(evidence: Evidence, size: FloatArray) -> list[Row]:
    place = evidence.unit_patch
    known = np.flatnonzero(place >= 0)
    covered = shapely.covers(evidence.patch_ground[place[known]], evidence.unit_ground[known])
    doubt = known[~covered]
    outside = shapely.area(shapely.difference(evidence.unit_ground[doubt], evidence.patch_ground[place[doubt]]))
    share = outside / size[place[doubt]]
    ids = evidence.units["unit_id"].to_numpy()
    return pick_rows(
        share > TILING_TOLERANCE,
        lambda k: violation(
            f"unit {ids[doubt[k]]}", f"{share[k]:.3g} of its patch's area outside it", "inside its patch"
        ),
        share,
    )


def check_areas(evidence: Evidence) -> list[Row]:
    """Check that area columns are the geodesic area, infested area is area x cover, and units add up to patches."""
    units, patches, place = evidence.units, evidence.patches, evidence.unit_patch
    rows = []
    for name, table, area, outline in (
        ("patch", patches, evidence.patch_area_m2, evidence.patch_outline),
        ("unit", units, evidence.unit_area_m2, evidence.unit_outline),
    ):
        tolerance = AREA_TOLERANCE + _find_rounding(outline, area)
        rows += _compare(name, table[f"{name}_id"].to_numpy(), "area", table["area_m2"].to_numpy(), area, tolerance)
    known = place >= 0
    total: FloatArray = np.bincount(place[known], units["area_m2"].to_numpy()[known], minlength=len(patches)).astype(
        np.float64
    )
    rows += _compare(
        "patch", patches["patch_id"].to_numpy(), "area of its units", total, patches["area_m2"].to_numpy(), 1e-9
    )
    for suffix in ("", "_low", "_high"):
        cover = patches[f"cover{suffix}_pct"].to_numpy() / 100
        rows += _compare(
            "patch",
            patches["patch_id"].to_numpy(),
            f"infested{suffix} area",
            patches[f"infested{suffix}_m2"].to_numpy(),
            patches["area_m2"].to_numpy() * cover,
            1e-9,
        )
    for suffix in ("", "_low", "_high"):
        cover = np.where(known, patches[f"cover{suffix}_pct"].to_numpy()[place] if len(patches) else np.nan, np.nan)
        expected = units["area_m2"].to_numpy() * cover / 100
        found = units[f"infested{suffix}_m2"].to_numpy()
        rows += _compare("unit", units["unit_id"].to_numpy(), f"infested{suffix} area", found, expected, 1e-9)
    return [*rows, info("plan.gpkg", f"{len(patches)} patches and {len(units)} units measured on the ellipsoid")]


def _find_rounding(outline: NDArray[Any], area_m2: FloatArray) -> FloatArray:
    """Return how far the rounding of coordinates can move an area, relative: it counts in slivers only."""
    planar = shapely.area(outline)
    solid = (planar > 0) & (area_m2 > 0)
    share = np.zeros(len(outline))
    length_m = shapely.length(outline[solid]) * np.sqrt(area_m2[solid] / planar[solid])
    share[solid] = (length_m * _ROUNDING_M + _ROUNDING_M2) / area_m2[solid]
    return share


def _compare(
    kind: str, ids: NDArray[Any], what: str, found: FloatArray, expected: FloatArray, tolerance: float | FloatArray
) -> list[Row]:
    off = find_difference(found, expected)
    return pick_rows(
        off > tolerance,
        lambda k: violation(
            f"{kind} {ids[k]}",
            f"{what} {show_number(found[k])} m2",
            f"{show_number(expected[k])} m2",
            f"off by {off[k]:.3g}",
        ),
        off,
    )


def find_difference(found: FloatArray, expected: FloatArray) -> FloatArray:
    """Return how far two columns are apart, relative to the expected one; 0 where both are blank, inf where one is."""
    blank = np.isnan(found) & np.isnan(expected)
    one = np.isnan(found) != np.isnan(expected)
    size = np.maximum(np.abs(np.nan_to_num(expected)), 1e-12)
    off = np.abs(np.nan_to_num(found) - np.nan_to_num(expected)) / size
    return np.where(one, np.inf, np.where(blank, 0.0, off))
