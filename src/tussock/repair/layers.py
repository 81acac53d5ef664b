"""In: a site's layers as drawn. Out: `Repaired`: sound outlines and values, overlaps, and what was done."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError
from tussock.base.findings import Finding, findings_table
from tussock.base.geodesy import find_area_m2
from tussock.base.kinds import map_kinds
from tussock.base.simple import describe_parts, find_odd, list_parts, split_by_dimension
from tussock.base.spikes import drop_spikes
from tussock.base.stages import Layer, LayerName, Repaired, Site
from tussock.base.text import join_words, show_count
from tussock.base.turns import find_middle, gather
from tussock.base.validity import make_valid
from tussock.repair import values
from tussock.repair.empty import mark_empty
from tussock.repair.overlaps import find_overlaps
from tussock.repair.stems import set_stem_values
from tussock.repair.windows import Home, cut_wide, find_home

if TYPE_CHECKING:
    import geopandas as gpd

_POLYGONS = ("infestations", "history")
#: Parts that are left of a crossing outline and thinner than this are rounding, not ground [m].
_THIN_M = 1e-6
_DEGREE_M = 111_320.0
_AREAL = 2  # dimension
#: Where two readings of an outline differ this near to the patches, nobody can tell which is meant [degrees].
_NEAR_DEG = 0.25


def repair_layers(site: Site) -> Repaired:
    """Mend outlines without losing area, put values into SI columns, and find patches on one ground.

    Parameters
    ----------
    site
        What was read.

    Returns
    -------
    Repaired
        The layers, each in its own CRS, and a findings table with the area before and after each repair.

    Raises
    ------
    InputError
        With every value that cannot be one (a negative stem count, a cover of 110 %, two patches with one id), and
        every outline that has no area.
    """
    layers: dict[LayerName, Layer] = {}
    home: Home | None = None
    findings: list[Finding] = []
    faults: list[Fault] = []
    for name, drawn_layer in site.layers.items():
        if name == "stems":
            continue
        layer, odd_faults, split_findings = split_collections(drawn_layer)
        if odd_faults:
            faults += odd_faults
            continue
        findings += split_findings
        frame, outline_faults, outline_findings = repair_outlines(layer, home)
        if name == "infestations" and not outline_faults:
            home = find_home(np.asarray(frame.geometry.array, dtype=object), frame.crs)
        frame, value_faults, value_findings = _set_values(site, layer, frame)
        faults += outline_faults + value_faults
        findings += outline_findings + value_findings + find_doubles(layer, frame)
        layers[name] = replace(layer, frame=frame if name in _POLYGONS else _number_anew(frame))
    if faults:
        raise InputError(faults)
    if "stems" in site.layers:
        stems, faults, stem_findings = set_stem_values(site.layers["stems"], layers["infestations"].frame)
        if faults:
            raise InputError(faults)
        layers["stems"] = replace(site.layers["stems"], frame=stems)
        findings += stem_findings
    patches = layers["infestations"]
    stem_rows = layers["stems"].frame if "stems" in layers else None
    marked, empty_findings = mark_empty(site.layers["infestations"], patches.frame, stem_rows)
    layers["infestations"] = replace(patches, frame=marked)
    findings += empty_findings
    if all(layer.accuracy_m is None for name, layer in layers.items() if name in ("infestations", "water")):
        done = "0 is taken: setbacks are not widened; state accuracy in [layers.infestations] and [layers.water]"
        findings.append(Finding("repair", "site", "accuracy", "no positional accuracy is stated", done))
    overlaps, overlap_findings = find_overlaps(layers["infestations"].frame, site.options.sliver_area_m2)
    return Repaired(layers, overlaps, findings_table(findings + overlap_findings))


def _set_values(site: Site, layer: Layer, frame: gpd.GeoDataFrame) -> tuple[Any, list[Fault], list[Finding]]:
    if layer.name == "infestations":
        return values.set_patch_values(layer, frame, site.options)
    if layer.name == "water":
        return values.set_water_values(layer, frame, map_kinds(site.rulesets))
    if layer.name == "history":
        return values.set_history_values(layer, frame, dict(site.products), site.season)
    kinds = map_kinds(site.rulesets) if layer.name == "receptors" else {}
    return values.set_receptor_values(layer, frame, kinds)


def split_collections(layer: Layer) -> tuple[Layer, list[Fault], list[Finding]]:
    """Return a layer whose features are of one kind each: points, lines or polygons, none of them in a collection.

    A feature of several kinds becomes one for each, under the number of its row. Of patches and records the polygons
    are kept, see `repair_outlines`.
    """
    drawn = np.asarray(layer.frame.geometry.array, dtype=object)
    where = values.place_of(layer)
    need = "draw it with points and straight edges"
    odd = [Fault(where, _row(layer.frame, place), found, need) for place, found in find_odd(drawn).items()]
    if odd:
        return layer, odd, []
    if layer.name in _POLYGONS:
        return layer, [], []
    split, owner = split_by_dimension(drawn)
    frame = layer.frame.iloc[owner].copy()
    frame["geometry"] = split
    several = np.flatnonzero(np.bincount(owner, minlength=len(drawn)) > 1)
    findings = [
        Finding(
            "repair",
            layer.name,
            _row(layer.frame, place),
            f"a collection of {describe_parts(drawn[[place]])}",
            "all of it counts, each kind as a feature of its own",
            "info",
        )
        for place in several.tolist()
    ]
    return replace(layer, frame=frame), [], findings


def _number_anew(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return features under a number each: those of one collection share that of their row until then."""
    return frame.reset_index(drop=True).rename_axis("row")


def repair_outlines(layer: Layer, home: Home | None = None) -> tuple[gpd.GeoDataFrame, list[Fault], list[Finding]]:
    """Return a layer with valid two-dimensional geometry.

    Invalid outlines are rebuilt from their structure, which keeps both lobes of a crossing outline; collections keep
    the parts of the layer's kind.
    """
    import shapely

    frame = layer.frame.copy()
    drawn = np.asarray(frame.geometry.array, dtype=object)
    flat = shapely.force_2d(_keep_polygons(drawn) if layer.name in _POLYGONS else drawn)
    ours = layer.name == "infestations"
    middle = find_middle(flat, frame.crs) if ours or home is None else home.find_middle(frame.crs)
    gathered = gather(flat, frame.crs, middle)
    lost = gathered.lost | (gathered.wide & ours)
    flat = np.where(lost, flat, gathered.geometry)
    sound = flat.copy()
    broken = ~shapely.is_valid(flat)
    sound[broken] = make_valid(flat[broken])
    if layer.name in _POLYGONS:
        sound = _keep_polygons(sound)
        thin = _THIN_M / (_DEGREE_M if frame.crs.is_geographic else frame.crs.axis_info[0].unit_conversion_factor)
        sound[broken] = [_drop_threads(item, thin) for item in sound[broken]]
        sound, spiked = drop_spikes(sound, thin)
        changed = broken | spiked
    else:
        changed = broken
    changed = changed | (shapely.get_type_id(drawn) != shapely.get_type_id(sound))
    findings: list[Finding] = []
    faults: list[Fault] = []
    where = values.place_of(layer)
    need = "cut it at 180 degrees, or leave it out"
    faults += [
        Fault(where, _row(frame, place), "an outline all the way round the globe", need)
        for place in np.flatnonzero(lost).tolist()
    ]
    if home is not None and not ours:
        sound, cut, odd = cut_wide(sound, frame.crs, home)
        need = "cut it to the region of the patches, or leave it out"
        faults += [Fault(where, _row(frame, place), found, need) for place, found in odd.items()]
        findings += _tell_wide(layer, frame, np.flatnonzero(cut))
        faults += _find_ambiguous(layer, frame, np.flatnonzero(gathered.across), drawn, sound, home)
    flat_only = (shapely.area(sound) == 0) if layer.name in _POLYGONS else False
    empty = ~lost & (shapely.is_empty(sound) | flat_only)
    faults += [
        Fault(where, _row(frame, place), "an outline without area", "draw it anew")
        for place in np.flatnonzero(empty).tolist()
    ]
    findings += _describe(layer, frame, np.flatnonzero(changed & ~empty), drawn, flat, sound)
    solid = int((shapely.has_z(drawn) | shapely.has_m(drawn)).sum())
    if solid:
        what = "heights or measures in the outline"
        findings.append(Finding("repair", layer.name, show_count(solid, "row"), what, "left out", "info"))
    frame["geometry"] = sound
    return frame, faults, findings


def _tell_wide(layer: Layer, frame: gpd.GeoDataFrame, places: NDArray[np.intp]) -> list[Finding]:
    what, done = "reaches over more than ten degrees", "cut to a window of a degree and more around the patches"
    return [Finding("repair", layer.name, _row(frame, place), what, done, "info") for place in places.tolist()]


def _find_ambiguous(
    layer: Layer,
    frame: gpd.GeoDataFrame,
    places: NDArray[np.intp],
    drawn: NDArray[Any],
    read: NDArray[Any],
    home: Home,
) -> list[Fault]:
    """Refuse an outline with an edge of more than half a turn that lies at the patches only if it is meant so."""
    import shapely

    window = home.draw_window(frame.crs, _NEAR_DEG)
    faults = []
    for place in places.tolist():
        box = shapely.box(*drawn[place].bounds)
        if window is not None and shapely.intersects(box, window) and not shapely.intersects(read[place], window):
            found = "an edge of more than half the globe: across 180 degrees, or round the other way?"
            need = "cut it in two at 180 degrees, or give the edge more points"
            faults.append(Fault(values.place_of(layer), _row(frame, place), found, need))
    return faults


def find_doubles(layer: Layer, frame: gpd.GeoDataFrame) -> list[Finding]:
    """Say which waters or receptors are drawn twice, vertex by vertex; patches are told by their common ground."""
    import shapely

    if layer.name not in ("water", "receptors"):
        return []
    geometry = np.asarray(frame.geometry.array, dtype=object)
    marks = np.column_stack([shapely.bounds(geometry), shapely.get_num_coordinates(geometry)])
    _, which, count = np.unique(marks, axis=0, return_inverse=True, return_counts=True)
    alike = np.flatnonzero(count[which.ravel()] > 1)  # one box and as many vertices: only those are compared
    seen: dict[bytes, list[int]] = {}
    for place, shape in zip(alike.tolist(), shapely.to_wkb(shapely.normalize(geometry[alike])).tolist(), strict=True):
        seen.setdefault(shape, []).append(place)
    what, done = "one outline drawn more than once", "kept: the nearest distance is the same"
    return [
        Finding("repair", layer.name, join_words([_row(frame, place) for place in places]), what, done, "info")
        for places in seen.values()
        if len(places) > 1
    ]


def _drop_threads(geometry: Any, width: float) -> Any:
    """Leave out parts of a mended outline that are thinner than a width: crossings that rounding has set apart."""
    import shapely

    parts = shapely.get_parts(geometry)
    kept = parts[2 * shapely.area(parts) > width * shapely.length(parts)]
    return geometry if len(kept) == len(parts) else shapely.multipolygons(kept)


def _keep_polygons(geometry: NDArray[Any]) -> NDArray[Any]:
    """Return the polygons in geometries of any kind, shape (n,); an empty one where there is none."""
    import shapely

    split, owner = split_by_dimension(geometry)
    areal = shapely.get_dimensions(split) == _AREAL
    kept = np.full(len(geometry), shapely.MultiPolygon(), dtype=object)
    kept[owner[areal]] = split[areal]
    return kept


def _row(frame: gpd.GeoDataFrame, place: int) -> str:
    row = f"row {frame.index[place] + 1}"
    return f'{row} (patch_id "{frame["patch_id"].iloc[place]}")' if "patch_id" in frame.columns else row


def _name_kind(geometry: Any) -> str:
    """Say what is wrong with an outline that is valid."""
    return "a spike without width" if geometry.geom_type.endswith("Polygon") else "a collection of several kinds"


def _describe(
    layer: Layer,
    frame: gpd.GeoDataFrame,
    places: NDArray[np.intp],
    drawn: NDArray[Any],
    before: NDArray[Any],
    after: NDArray[Any],
) -> list[Finding]:
    """Say for each repaired outline what was wrong and its area before and after.

    ``before`` is what was drawn, in two dimensions, and of a collection of the layer's kind.
    """
    import shapely

    if not len(places):
        return []
    areal = shapely.get_dimensions(after[places]) == _AREAL
    old = np.full(len(places), np.nan)
    new = np.full(len(places), np.nan)
    old[areal] = find_area_m2(before[places][areal], frame.crs)
    new[areal] = find_area_m2(after[places][areal], frame.crs)
    reasons = shapely.is_valid_reason(before[places])
    findings = []
    for number, place in enumerate(places.tolist()):
        parts = shapely.get_num_geometries(after[place])
        what = str(reasons[number]) if reasons[number] != "Valid Geometry" else _name_kind(drawn[place])
        lost = list_parts(drawn[[place]])[0] if layer.name in _POLYGONS else np.empty(0, dtype=object)
        lost = lost[shapely.get_dimensions(lost) < _AREAL]
        left = f"; {describe_parts(lost)} left out: no ground" if len(lost) else ""
        findings.append(
            Finding(
                "repair",
                layer.name,
                _row(frame, place),
                f"outline not sound: {what}",
                f"rebuilt from its structure, {show_count(parts, 'part')}{left}",
                "warning",
                None if np.isnan(old[number]) else float(old[number]),
                None if np.isnan(new[number]) else float(new[number]),
            )
        )
    return findings
