"""In: true areas, rules, overlaps. Out: `Zoned`: patches cut into units, with the setbacks in force on each."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.findings import Finding, findings_table
from tussock.base.geodesy import move_geometry
from tussock.base.stages import Cell, Measured, Repaired, Site, Zoned
from tussock.zone import reach as reaching
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import Groups, as_objects
from tussock.zone.kernel import Grounds, Pieces, cut_blocks
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
    groups = Groups()
    rules = bind_rules(cell, site.setbacks(), accuracy, {str(name): path for name, path in paths.items()}, groups)
    geometry = np.asarray(cell.patches.geometry.array, dtype=object)
    reach = reaching.make_reach(cell, groups)
    others = _find_other_grounds(site, repaired, cell, reach)
    zones, zone_of_rule = _find_zones(rules)
    grounds = Grounds(np.array(others.patch, dtype=np.intp), as_objects(others.ground))
    pieces = cut_blocks(geometry, zones, grounds, sliver_area_m2=site.options.sliver_area_m2)
    in_force = np.ones((len(rules), len(pieces.patch)), dtype=bool)
    bound = zone_of_rule >= 0
    in_force[bound] = pieces.inside.T[zone_of_rule[bound]]
    units = _make_units(cell, measured, pieces, rules, in_force, others)
    nearness = find_nearness(rules, pieces.geometry, list(units.index), in_force, cell.crs)
    _measure_units(cell, units, pieces.geometry, reach, groups)
    return _CellUnits(units, _measure_patches(measured, cell, geometry, pieces, groups), nearness, rules)


def _find_zones(rules: list[BoundRule]) -> tuple[list[ZoneSpec], NDArray[np.intp]]:
    """Return the different zones of the rules, and the zone of each rule; -1 where it holds anywhere."""
    zones: list[ZoneSpec] = []
    places: dict[tuple[int, bytes], int] = {}
    zone_of_rule = np.full(len(rules), -1, dtype=np.intp)
    for place, rule in enumerate(rules):
        if rule.group is None:
            continue
        key = (id(rule.group), rule.reach_m.tobytes())
        if key not in places:
            places[key] = len(zones)
            zones.append(ZoneSpec(rule.group, rule.reach_m))
        zone_of_rule[place] = places[key]
    return zones, zone_of_rule


@dataclass
class _OtherGrounds:
    """Ground to cut by that is no setback: the place of the patch, the column it is told in, its name there."""

    patch: list[int] = field(default_factory=list)
    column: list[str] = field(default_factory=list)
    name: list[str] = field(default_factory=list)
    ground: list[Any] = field(default_factory=list)

    def add(self, patch: int, column: str, name: str, ground: Any) -> None:
        """Add one."""
        self.patch.append(patch)
        self.column.append(column)
        self.name.append(name)
        self.ground.append(ground)


def _find_other_grounds(site: Site, repaired: Repaired, cell: Cell, reach: reaching.Reach) -> _OtherGrounds:
    """Return shared ground, earlier applications and ground out of reach."""
    found = _OtherGrounds()
    places = {name: place for place, name in enumerate(cell.patches.index)}
    others = dict(zip(cell.others.index, np.asarray(cell.others.geometry.array, dtype=object), strict=True))
    pairs = zip(repaired.overlaps["patch_a"], repaired.overlaps["patch_b"], strict=True)
    for first, second in pairs:
        for own, other in ((first, second), (second, first)):
            if own in places:
                found.add(places[own], "shared_with", str(other), others[other])
    geometry = np.asarray(cell.patches.geometry.array, dtype=object)
    if len(cell.history):
        treated = np.asarray(cell.history.geometry.array, dtype=object)
        item, record = shapely.STRtree(treated).query(geometry, predicate="intersects")
        solid = shapely.area(shapely.intersection(geometry[item], treated[record])) > _NO_GROUND_M2
        for place, number in zip(item[solid].tolist(), record[solid].tolist(), strict=True):
            found.add(place, "history", str(cell.history.index[number]), treated[number])
    throws: dict[tuple[str, str], list[float]] = {}
    for place, kind in enumerate(zip(cell.patches["species"], cell.patches["growth_form"], strict=True)):
        if kind not in throws:
            throws[kind] = reaching.find_throws_m(site.treatments or (), *kind)
        for throw_m in throws[kind]:
            ground = reaching.draw_out_of_reach(reach, geometry[place], throw_m)
            if ground is not None:
                found.add(place, "beyond_m", repr(throw_m), ground)
    return found


def _make_units(
    cell: Cell,
    measured: Measured,
    pieces: Pieces,
    rules: list[BoundRule],
    in_force: NDArray[np.bool_],
    others: _OtherGrounds,
) -> gpd.GeoDataFrame:
    """Return units in the layer's own CRS."""
    import geopandas as gpd
    import pandas as pd

    ids = cell.patches.index.to_numpy()
    patch = pieces.patch
    planar = shapely.area(pieces.geometry)
    total = np.bincount(patch, planar, minlength=len(ids))
    area = measured.patches["area_m2"].reindex(cell.patches.index).to_numpy()
    number = np.arange(len(patch)) - np.searchsorted(patch, patch) + 1
    layer_crs = measured.patches.crs
    moved = np.asarray(measured.patches.geometry.reindex(cell.patches.index).array, dtype=object)[patch]
    cut = (np.bincount(patch, minlength=len(ids)) > 1)[patch]
    moved[cut] = _mend(move_geometry(pieces.geometry[cut], cell.crs, layer_crs))
    columns: dict[str, Any] = {
        "patch_id": ids[patch],
        "area_m2": planar * (area / total)[patch],
        "setbacks": _join_ids(rules, in_force),
    }
    columns |= {name: _join_names(name, pieces, others) for name in ("shared_with", "history", "beyond_m")}
    index = pd.Index(
        [f"{ids[own]}-{no:02d}" for own, no in zip(patch.tolist(), number.tolist(), strict=True)], name="unit_id"
    )
    return gpd.GeoDataFrame(columns, geometry=moved, crs=layer_crs, index=index)


def _join_ids(rules: list[BoundRule], in_force: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return the ids of the setbacks in force on each unit, sorted, joined by ;. Each combination is joined once."""
    names = np.array([rule.setback.id for rule in rules], dtype=object)
    if not len(rules):
        return np.full(in_force.shape[1], "", dtype=object)
    packed = np.ascontiguousarray(np.packbits(in_force, axis=0).T)
    _, first, which = np.unique(packed, axis=0, return_index=True, return_inverse=True)
    texts = np.array([";".join(sorted(set(names[in_force[:, place]]))) for place in first.tolist()], dtype=object)
    return texts[which.ravel()]


def _join_names(column: str, pieces: Pieces, others: _OtherGrounds) -> NDArray[np.object_]:
    """Return the names of the other grounds of one column that each unit lies on, joined by ;."""
    texts = np.full(len(pieces.patch), "", dtype=object)
    held: dict[int, set[str]] = defaultdict(set)
    for piece, ground in zip(pieces.ground_piece.tolist(), pieces.ground.tolist(), strict=True):
        if others.column[ground] == column:
            held[piece].add(others.name[ground])
    order = {"history": int, "beyond_m": float}.get(column, str)
    for piece, names in held.items():
        texts[piece] = ";".join(sorted(names, key=order))
    return texts


def _measure_units(
    cell: Cell, units: gpd.GeoDataFrame, geometry: NDArray[np.object_], reach: reaching.Reach, groups: Groups
) -> None:
    """Add the distance to water, whether a unit stands in water, and how far it is from a standing place."""
    water = groups.make(cell.water, np.ones(len(cell.water), dtype=bool))
    wet_rows = (cell.water["state"] != "dry").to_numpy(dtype=bool) if len(cell.water) else np.zeros(0, dtype=bool)
    wet = groups.make(cell.water, wet_rows)
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
    measured: Measured, cell: Cell, geometry: NDArray[Any], pieces: Pieces, groups: Groups
) -> gpd.GeoDataFrame:
    """Add distances to patches; a patch that was cut gets the vertices of the cuts on its outline."""
    patches = measured.patches.loc[cell.patches.index].copy()
    water = groups.make(cell.water, np.ones(len(cell.water), dtype=bool))
    receptors = groups.make(cell.receptors, np.ones(len(cell.receptors), dtype=bool))
    patches["nearest_water_m"] = find_edge_distance_m(water, geometry, cell.crs)
    patches["nearest_receptor_m"] = find_edge_distance_m(receptors, geometry, cell.crs)
    count = np.bincount(pieces.patch, minlength=len(patches))
    patches["unit_count"] = count
    cut = np.flatnonzero(count > 1)
    if len(cut):
        outlines = np.asarray(patches.geometry.array, dtype=object).copy()
        outlines[cut] = _mend(move_geometry(join_faces(pieces, cut), cell.crs, measured.patches.crs))
        patches["geometry"] = outlines
        patches = patches.set_crs(measured.patches.crs, allow_override=True)
    return patches


def join_faces(pieces: Pieces, cut: NDArray[np.intp]) -> NDArray[Any]:
    """Return patches again from their pieces, with the vertices that the cuts have put on their outlines."""
    own = np.flatnonzero(np.isin(pieces.patch, cut))
    parts, place = shapely.get_parts(pieces.geometry[own], return_index=True)
    heaps = shapely.geometrycollections(parts, indices=np.searchsorted(cut, pieces.patch[own][place]))
    joined: NDArray[Any] = shapely.union_all(heaps.reshape(-1, 1), axis=1)
    return joined


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


def _mend(outlines: NDArray[Any]) -> NDArray[Any]:
    """Return outlines valid again where rounding in another CRS has folded an edge onto its neighbour."""
    broken = ~shapely.is_valid(outlines)
    if broken.any():
        outlines = outlines.copy()
        outlines[broken] = shapely.make_valid(outlines[broken], method="structure", keep_collapsed=False)
    return outlines
