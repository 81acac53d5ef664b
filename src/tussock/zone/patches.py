"""In: true areas, rules, overlaps. Out: `Zoned`: patches cut into units, with the setbacks in force on each."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.findings import Finding, findings_table
from tussock.base.geodesy import move_geometry
from tussock.base.stages import Cell, Measured, Repaired, Site, Zoned
from tussock.zone import reach as reaching
from tussock.zone.cutting import Piece, Tokens, Zone, cut_patch, join_faces
from tussock.zone.features import FeatureGroup, draw_zone, find_inside, find_pairs, make_group
from tussock.zone.layer import draw_setback_zones
from tussock.zone.nearness import find_edge_distance_m, find_ground_on, find_nearness
from tussock.zone.rules import BoundRule, bind_rules

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: Ground on water under this share of a unit, or this area, is a shared edge and not ground.
_NO_GROUND_SHARE = 1e-6
_NO_GROUND_M2 = 0.01


def zone_patches(site: Site, repaired: Repaired, measured: Measured) -> Zoned:
    """Cut patches into treatment units by the setbacks, earlier applications, shared ground and reach.

    Parameters
    ----------
    site
        Rule sets, treatments, sliver area.
    repaired
        Layers (for their accuracy) and overlaps.
    measured
        Patches in cells, with true areas.

    Returns
    -------
    Zoned
        Units tile their patch; a point nearer to a feature than a setback is never in a unit without it.

    Raises
    ------
    InputError
        A rule needs a column that a layer does not have.
    CutError
        A cut failed its proof.
    """
    import geopandas as gpd
    import pandas as pd

    parts = [_zone_cell(site, repaired, measured, cell) for cell in measured.cells]
    units = pd.concat([part.units for part in parts])
    patches = pd.concat([part.patches for part in parts]).loc[measured.patches.index]
    order = {name: place for place, name in enumerate(measured.patches.index)}
    units = units.sort_values("patch_id", key=lambda ids: ids.map(order), kind="stable")
    return Zoned(
        patches=gpd.GeoDataFrame(patches, crs=measured.patches.crs),
        units=gpd.GeoDataFrame(units, crs=measured.patches.crs),
        nearness=pd.concat([part.nearness for part in parts], ignore_index=True),
        zones=draw_setback_zones(site, [(part.rules, cell) for part, cell in zip(parts, measured.cells, strict=True)]),
        findings=findings_table(_describe_rules(site, repaired, parts)),
    )


@dataclass(frozen=True)
class _CellUnits:
    units: gpd.GeoDataFrame
    patches: gpd.GeoDataFrame
    nearness: pd.DataFrame
    rules: list[BoundRule]


def _zone_cell(site: Site, repaired: Repaired, measured: Measured, cell: Cell) -> _CellUnits:
    accuracy: dict[str, float] = {name: repaired.layers[name].accuracy_m or 0.0 for name in ("infestations", "water")}
    receptors = repaired.layers.get("receptors")
    accuracy["receptors"] = (receptors.accuracy_m or 0.0) if receptors else 0.0
    paths = {name: layer.path for name, layer in repaired.layers.items()}
    rules = bind_rules(cell, site.setbacks(), accuracy, {str(name): path for name, path in paths.items()})
    geometry = np.asarray(cell.patches.geometry.array, dtype=object)
    whole, zones = _find_rule_zones(rules, geometry)
    _add_other_zones(site, repaired, cell, zones)
    pieces = [
        cut_patch(geometry[place], zones.get(place, []), site.options.sliver_area_m2) for place in range(len(geometry))
    ]  # a loop over geometry: only patches that a zone edge crosses are cut, the others come back as they are
    names = {f"zone {place}": [rules[k].setback.id for k in members] for place, members in _same_zones(rules).items()}
    units, unit_geometry = _make_units(cell, measured, pieces, whole, names)
    in_force = np.array(
        [[rule.setback.id in ids for ids in units["setback_ids"]] for rule in rules], dtype=bool
    ).reshape(len(rules), len(units))
    nearness = find_nearness(rules, unit_geometry, list(units.index), in_force, cell.crs)
    _measure_units(cell, units, unit_geometry, reaching.make_reach(cell))
    patches = _measure_patches(measured, cell, geometry, pieces)
    return _CellUnits(units.drop(columns="setback_ids"), patches, nearness, rules)


def _same_zones(rules: list[BoundRule]) -> dict[int, list[int]]:
    """Group rules whose zone is one and the same (features and reach): it is cut once."""
    groups: dict[tuple[Any, ...], list[int]] = defaultdict(list)
    for place, rule in enumerate(rules):
        key = (None,) if rule.group is None else (id(rule.group), rule.reach_m.tobytes())
        groups[key].append(place)
    return {members[0]: members for members in groups.values()}


def _find_rule_zones(
    rules: list[BoundRule], geometry: NDArray[Any]
) -> tuple[dict[int, set[str]], dict[int, list[Zone]]]:
    """Decide for each zone which patches lie wholly in it, which straddle it, and draw it where it is straddled."""
    whole: dict[int, set[str]] = defaultdict(set)
    zones: dict[int, list[Zone]] = defaultdict(list)
    for place in _same_zones(rules):
        rule, token = rules[place], f"zone {place}"
        if rule.group is None:
            for item in range(len(geometry)):
                whole[item].add(token)
            continue
        _classify(rule, rule.group, geometry, token, whole, zones)
    return whole, zones


def _classify(
    rule: BoundRule,
    group: FeatureGroup,
    geometry: NDArray[Any],
    token: str,
    whole: dict[int, set[str]],
    zones: dict[int, list[Zone]],
) -> None:
    item, run, _ = find_pairs(group, geometry, rule.reach_m)
    inside_item, cell = find_inside(group, geometry)
    covered = _find_covered(rule, group, geometry, item, run)
    for place in covered:
        whole[place].add(token)
    order = np.argsort(item, kind="stable")
    item, run = item[order], run[order]
    for place in np.unique(np.concatenate([item, inside_item])).tolist():
        if place in covered:
            continue
        runs = run[np.searchsorted(item, place) : np.searchsorted(item, place, side="right")]
        ground = draw_zone(group, runs, cell[inside_item == place], rule.reach_m)
        if shapely.get_dimensions(ground) == 2:  # noqa: PLR2004  (an area)
            zones[place].append(Zone(("setback", token), ground))


def _find_covered(
    rule: BoundRule, group: FeatureGroup, geometry: NDArray[Any], item: NDArray[np.intp], run: NDArray[np.intp]
) -> set[int]:
    """Return the patches that lie wholly within reach of one run: its distance from the middle plus their radius."""
    if not len(item):
        return set()
    centre = shapely.centroid(geometry)
    xy, owner = shapely.get_coordinates(geometry, return_index=True)
    middle = shapely.get_coordinates(centre)
    radius = np.zeros(len(geometry))
    np.maximum.at(radius, owner, np.hypot(*(xy - middle[owner]).T))
    furthest = shapely.distance(centre[item], group.runs[run]) + radius[item]
    return set(item[furthest <= rule.reach_m[group.run_owner[run]]].tolist())


def _add_other_zones(site: Site, repaired: Repaired, cell: Cell, zones: dict[int, list[Zone]]) -> None:
    """Add shared ground, earlier applications and ground out of reach as zones to cut by."""
    places = {name: place for place, name in enumerate(cell.patches.index)}
    others = dict(zip(cell.others.index, np.asarray(cell.others.geometry.array, dtype=object), strict=True))
    for row in repaired.overlaps.itertuples():
        for own, other in ((row.patch_a, row.patch_b), (row.patch_b, row.patch_a)):
            if own in places:
                zones[places[own]].append(Zone(("shared", str(other)), others[other]))
    geometry = np.asarray(cell.patches.geometry.array, dtype=object)
    if len(cell.history):
        treated = np.asarray(cell.history.geometry.array, dtype=object)
        item, record = shapely.STRtree(treated).query(geometry, predicate="intersects")
        area = shapely.area(shapely.intersection(geometry[item], treated[record]))
        for place, number in zip(
            item[area > _NO_GROUND_M2].tolist(), record[area > _NO_GROUND_M2].tolist(), strict=True
        ):
            zones[place].append(Zone(("history", str(cell.history.index[number])), treated[number]))
    reach = reaching.make_reach(cell)
    for place, (species, form) in enumerate(zip(cell.patches["species"], cell.patches["growth_form"], strict=True)):
        for throw_m in reaching.find_throws_m(site.treatments or (), species, form):
            ground = reaching.draw_out_of_reach(reach, geometry[place], throw_m)
            if ground is not None:
                zones[place].append(Zone(("beyond", repr(throw_m)), ground))


def _make_units(
    cell: Cell,
    measured: Measured,
    pieces: list[list[Piece]],
    whole: dict[int, set[str]],
    names: dict[str, list[str]],
) -> tuple[gpd.GeoDataFrame, NDArray[np.object_]]:
    """Return units in the layer's own CRS, and their geometry in the cell's."""
    import geopandas as gpd

    rows, shapes, kept = [], [], []
    for place, (patch_id, patch_pieces) in enumerate(zip(cell.patches.index, pieces, strict=True)):
        scale = measured.patches["area_m2"].loc[patch_id] / cell.patches.geometry.iloc[place].area
        for number, piece in enumerate(patch_pieces, start=1):
            tokens = piece.tokens | {("setback", token) for token in whole.get(place, ())}
            row = _describe_tokens(tokens, names)
            rows.append(
                {"unit_id": f"{patch_id}-{number:02d}", "patch_id": patch_id, "area_m2": piece.geometry.area * scale}
                | row
            )
            shapes.append(piece.geometry)
            kept.append(len(patch_pieces) == 1)
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = shapes
    layer_crs = measured.patches.crs
    moved = move_geometry(geometry, cell.crs, layer_crs)
    drawn = np.asarray(measured.patches.geometry.loc[[row["patch_id"] for row in rows]].array, dtype=object)
    moved[np.array(kept)] = drawn[np.array(kept)]
    units = gpd.GeoDataFrame(rows, geometry=moved, crs=layer_crs).set_index("unit_id")
    return units, geometry


def _describe_tokens(tokens: Tokens, names: dict[str, list[str]]) -> dict[str, Any]:
    ids = sorted({name for kind, token in tokens if kind == "setback" for name in names[token]})
    return {
        "setbacks": ";".join(ids),
        "setback_ids": frozenset(ids),
        "shared_with": ";".join(sorted(value for kind, value in tokens if kind == "shared")),
        "history": ";".join(sorted((value for kind, value in tokens if kind == "history"), key=int)),
        "beyond_m": ";".join(sorted((value for kind, value in tokens if kind == "beyond"), key=float)),
    }


def _measure_units(cell: Cell, units: gpd.GeoDataFrame, geometry: NDArray[np.object_], reach: reaching.Reach) -> None:
    """Add the distance to water, whether a unit stands in water, and how far it is from a standing place."""
    water = make_group(cell.water, np.ones(len(cell.water), dtype=bool))
    wet_rows = (cell.water["state"] != "dry").to_numpy(dtype=bool) if len(cell.water) else np.zeros(0, dtype=bool)
    wet = make_group(cell.water, wet_rows)
    units["nearest_water_m"] = find_edge_distance_m(water, geometry, cell.crs)
    ground = find_ground_on(wet, geometry)
    planar = shapely.area(geometry)
    units["in_water"] = (ground > _NO_GROUND_M2) & (ground > _NO_GROUND_SHARE * planar)
    beyond = (units["beyond_m"] != "").to_numpy()
    measured = [
        reaching.find_standing_distance_m(reach, item) if far else (np.nan, "")
        for item, far in zip(geometry, beyond, strict=True)
    ]
    units["standing_m"] = [distance for distance, _ in measured]
    units["standing"] = [name for _, name in measured]


def _measure_patches(
    measured: Measured, cell: Cell, geometry: NDArray[Any], pieces: list[list[Piece]]
) -> gpd.GeoDataFrame:
    """Add distances to patches; a patch that was cut gets the vertices of the cuts on its outline."""
    patches = measured.patches.loc[cell.patches.index].copy()
    water = make_group(cell.water, np.ones(len(cell.water), dtype=bool))
    receptors = make_group(cell.receptors, np.ones(len(cell.receptors), dtype=bool))
    patches["nearest_water_m"] = find_edge_distance_m(water, geometry, cell.crs)
    patches["nearest_receptor_m"] = find_edge_distance_m(receptors, geometry, cell.crs)
    patches["unit_count"] = [len(item) for item in pieces]
    cut = np.flatnonzero(patches["unit_count"].to_numpy() > 1)
    if len(cut):
        joined = np.empty(len(cut), dtype=object)
        joined[:] = [join_faces(pieces[place]) for place in cut]
        outlines = np.asarray(patches.geometry.array, dtype=object).copy()
        outlines[cut] = move_geometry(joined, cell.crs, measured.patches.crs)
        patches["geometry"] = outlines
        patches = patches.set_crs(measured.patches.crs, allow_override=True)
    return patches


def _describe_rules(site: Site, repaired: Repaired, parts: list[_CellUnits]) -> list[Finding]:
    """Say which rules met no feature, and where a layer stands for another line than a rule asks for."""
    findings = []
    for place, (_, setback) in enumerate(site.setbacks()):
        groups = [part.rules[place].group for part in parts]
        if all(group is not None and not len(group) for group in groups):
            done = "in force nowhere on this site; check the kinds if that surprises"
            findings.append(Finding("zone", "rules", setback.id, "no mapped feature is meant by it", done, "info"))
        layer = repaired.layers.get(setback.source_filter.layer) if setback.source_filter else None
        if setback.datum and layer is not None and layer.datum and setback.datum.casefold() != layer.datum.casefold():
            what = f'the rule runs from "{setback.datum}", the layer {layer.name} shows "{layer.datum}"'
            done = "measured from the mapped line; check in the field"
            findings.append(Finding("zone", "rules", setback.id, what, done))
    if not site.setbacks():
        done = "no herbicide is planned: a plan without setbacks cannot be checked"
        findings.append(Finding("zone", "rules", "catalog.rules", "no rule is loaded", done))
    return findings
