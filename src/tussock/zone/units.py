"""In: one part of a cell, with the features near it. Out: its patches cut into units, measured and proven."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.verdicts import BY_BOAT, OUT_OF_REACH
from tussock.zone import reach as reaching
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import Groups, as_objects
from tussock.zone.kernel import Grounds, Pieces, cut_blocks
from tussock.zone.nearness import Measures, find_ground_on, find_nearness
from tussock.zone.outlines import drop_piece_spikes, join_faces, mend_outlines
from tussock.zone.rules import BoundRule, bind_rules
from tussock.zone.settling import Cut, Settled, settle
from tussock.zone.unruled import find_unruled

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from tussock.base.records import Ruleset, Setback, Treatment
    from tussock.base.stages import Cell

_GroundKind: TypeAlias = Literal["shared_with", "history", "beyond_on_foot", "beyond_by_boat"]
_LIMIT_COLUMNS: Final = ("unit_id", "treatment_id", "reached", "stands", "reach_m", "place", "distance_m")

#: Ground on water under this share of a unit, or this area, is a shared edge and not ground.
_NO_GROUND_SHARE = 1e-6
_NO_GROUND_M2 = 0.01


@dataclass(frozen=True)
class Part:
    """Patches to cut together and all that it takes: what a worker is handed.

    Attributes
    ----------
    cell
        The patches in the cell's CRS, and the features near enough to matter to them.
    origin
        What coordinates of the cell are counted from [m].
    patches
        The same patches in the layer's own CRS, with ``area_m2``.
    setbacks, treatments, accuracy_m, paths, sliver_area_m2
        What the site says of them; accuracy and file for each layer.
    overlaps
        Pairs of patches on one ground, one of them here.
    every_row
        Whether all rows of the nearness table are kept.
    rulesets, look_out_m
        Rule sets, and how far features of each layer that none of them names are looked for [m].
    """

    cell: Cell
    origin: tuple[float, float]
    patches: gpd.GeoDataFrame
    setbacks: tuple[tuple[Ruleset, Setback], ...]
    treatments: tuple[Treatment, ...]
    accuracy_m: dict[str, float]
    paths: dict[str, str]
    overlaps: tuple[tuple[str, str], ...]
    sliver_area_m2: float
    every_row: bool
    rulesets: tuple[Ruleset, ...] = ()
    look_out_m: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class PartUnits:
    """Units, patches, nearness, reach, and kinds without a rule near the units, of one part."""

    units: gpd.GeoDataFrame
    patches: gpd.GeoDataFrame
    nearness: pd.DataFrame
    reach: pd.DataFrame
    unruled: pd.DataFrame


def bind_part(part: Part, groups: Groups) -> list[BoundRule]:
    """Bind the rules to the features of a part; see `bind_rules`."""
    return bind_rules(part.cell, part.setbacks, part.accuracy_m, part.paths, groups)


def zone_part(part: Part, groups: Groups | None = None) -> PartUnits:
    """Cut the patches of a part into units and measure them.

    Parameters
    ----------
    part
        Patches and what lies near them.
    groups
        Groups of the features of this part where they are made already.

    Raises
    ------
    InputError
        See `zone_patches`.
    """
    cell, groups = part.cell, groups or Groups(part.cell.most_scale)
    rules = bind_part(part, groups)
    geometry = np.asarray(cell.patches.geometry.array, dtype=object)
    reach = reaching.make_reach(cell, groups)
    others = _find_other_grounds(part, reach)
    zones, zone_of_rule = _find_zones(rules)
    grounds = Grounds(np.array(others.patch, dtype=np.intp), as_objects(others.ground))
    pieces = drop_piece_spikes(cut_blocks(geometry, zones, grounds, sliver_area_m2=part.sliver_area_m2))
    settled = settle(Cut(part, rules, zone_of_rule, zones, grounds, part.sliver_area_m2), pieces)
    units = _make_units(part, settled, rules, others)
    nearness = find_nearness(rules, settled.measures, list(units.index), settled.in_force, every=part.every_row)
    _measure_units(cell, units, settled.measures, groups)
    limits = _list_limits(part, settled.pieces, others, reach, list(units.index))
    unruled = find_unruled(cell, part.rulesets, part.look_out_m, part.accuracy_m, settled.measures, units, groups)
    return PartUnits(units, _measure_patches(part, settled, groups), nearness, limits, unruled)


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
    """Ground to cut by that is no setback: the place of the patch, what it is, its name there.

    The name of shared ground is the other patch, that of an earlier application its row, that of ground out of reach
    the way of working.
    """

    patch: list[int] = field(default_factory=list)
    column: list[_GroundKind] = field(default_factory=list)
    name: list[Any] = field(default_factory=list)
    ground: list[Any] = field(default_factory=list)

    def add(self, patch: int, column: _GroundKind, name: Any, ground: Any) -> None:
        """Add one."""
        self.patch.append(patch)
        self.column.append(column)
        self.name.append(name)
        self.ground.append(ground)


def _find_other_grounds(part: Part, reach: reaching.Reach) -> _OtherGrounds:
    """Return shared ground, earlier applications and ground out of reach."""
    found, cell = _OtherGrounds(), part.cell
    places = {name: place for place, name in enumerate(cell.patches.index)}
    others = dict(zip(cell.others.index, np.asarray(cell.others.geometry.array, dtype=object), strict=True))
    for first, second in part.overlaps:
        for own, other in ((first, second), (second, first)):
            if own in places:
                found.add(places[own], "shared_with", other, others[other])
    geometry = np.asarray(cell.patches.geometry.array, dtype=object)
    if len(cell.history):
        treated = np.asarray(cell.history.geometry.array, dtype=object)
        item, record = shapely.STRtree(treated).query(geometry, predicate="intersects")
        order = np.lexsort((record, item))
        item, record = item[order], record[order]
        solid = shapely.area(shapely.intersection(geometry[item], treated[record])) > _NO_GROUND_M2
        for place, number in zip(item[solid].tolist(), record[solid].tolist(), strict=True):
            found.add(place, "history", int(cell.history.index[number]), treated[number])
    ways = _find_ways(part)
    most_m = max((way.reach_m for own in ways for way in own), default=0.0)
    for place in np.flatnonzero(reaching.find_limited(reach, geometry, most_m)).tolist():
        for way in ways[place]:
            on_foot, by_boat = reaching.draw_out_of_reach(reach, geometry[place], way)
            if on_foot is not None:
                found.add(place, "beyond_on_foot", way, on_foot)
            if by_boat is not None:
                found.add(place, "beyond_by_boat", way, by_boat)
    return found


def _find_ways(part: Part) -> list[dict[reaching.Way, list[str]]]:
    """Return, for each patch, the ways of working it and the treatments that are worked so."""
    patches = part.cell.patches
    kinds = list(zip(patches["species"], patches["growth_form"], strict=True))
    found: dict[tuple[str, str], dict[reaching.Way, list[str]]] = {}
    for kind in dict.fromkeys(kinds):
        own = found[kind] = {}
        for treatment in part.treatments:
            if treatment.suits(*kind):
                own.setdefault(reaching.find_way(treatment), []).append(treatment.id)
    return [{} if empty else found[kind] for kind, empty in zip(kinds, patches["found_empty"], strict=True)]


def _list_limits(
    part: Part, pieces: Pieces, others: _OtherGrounds, reach: reaching.Reach, unit_ids: list[str]
) -> pd.DataFrame:
    """Return a row for each unit and treatment that is not reached on foot; see `base.stages.Zoned`."""
    import pandas as pd

    ways = _find_ways(part)
    held: dict[int, dict[reaching.Way, bool]] = defaultdict(dict)
    for piece, ground in zip(pieces.ground_piece.tolist(), pieces.ground.tolist(), strict=True):
        column, way = others.column[ground], others.name[ground]
        if column in ("beyond_on_foot", "beyond_by_boat"):
            held[piece][way] = held[piece].get(way, False) or column == "beyond_by_boat"
    rows: list[tuple[Any, ...]] = []
    for piece in sorted(held):
        for way, beyond in held[piece].items():
            shape = pieces.geometry[piece]
            if beyond:
                distance, place = reaching.find_standing_distance_m(reach, shape, way)
                distance = max(distance, way.reach_m)  # a sliver nearer than that counts with the rest
            else:
                distance, place = reach.boats.find_nearest(shape)
            reached = OUT_OF_REACH if beyond else BY_BOAT
            facts = (reached, way.stands, way.reach_m, place, distance)
            rows += [(unit_ids[piece], name, *facts) for name in ways[int(pieces.patch[piece])][way]]
    return pd.DataFrame(rows, columns=list(_LIMIT_COLUMNS))


def _make_units(part: Part, settled: Settled, rules: list[BoundRule], others: _OtherGrounds) -> gpd.GeoDataFrame:
    """Return units in the layer's own CRS."""
    import geopandas as gpd
    import pandas as pd

    pieces = settled.pieces
    ids = part.cell.patches.index.to_numpy()
    patch = pieces.patch
    planar = shapely.area(pieces.geometry)
    total = np.bincount(patch, planar, minlength=len(ids))
    area = part.patches["area_m2"].to_numpy()
    number = np.arange(len(patch)) - np.searchsorted(patch, patch) + 1
    columns: dict[str, Any] = {
        "patch_id": ids[patch],
        "area_m2": planar * (area / total)[patch],
        "setbacks": _join_ids(rules, settled.in_force),
        "set_aside": [pieces.aside.get(place, "") for place in patch.tolist()],
    }
    columns |= {name: _list_names(name, pieces, others) for name in ("shared_with", "history")}
    index = pd.Index(
        [f"{ids[own]}-{no:02d}" for own, no in zip(patch.tolist(), number.tolist(), strict=True)], name="unit_id"
    )
    return gpd.GeoDataFrame(columns, geometry=settled.outlines, crs=part.patches.crs, index=index)


def _join_ids(rules: list[BoundRule], in_force: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return the ids of the setbacks in force on each unit, sorted, joined by ;. Each combination is joined once."""
    names = np.array([rule.setback.id for rule in rules], dtype=object)
    if not len(rules):
        return np.full(in_force.shape[1], "", dtype=object)
    packed = np.ascontiguousarray(np.packbits(in_force, axis=0).T)
    _, first, which = np.unique(packed, axis=0, return_index=True, return_inverse=True)
    texts = np.array([";".join(sorted(set(names[in_force[:, place]]))) for place in first.tolist()], dtype=object)
    return texts[which.ravel()]


def _list_names(column: str, pieces: Pieces, others: _OtherGrounds) -> NDArray[np.object_]:
    """Return the names of the other grounds of one column that each unit lies on, sorted, as a tuple for each."""
    held: dict[int, set[Any]] = defaultdict(set)
    for piece, ground in zip(pieces.ground_piece.tolist(), pieces.ground.tolist(), strict=True):
        if others.column[ground] == column:
            held[piece].add(others.name[ground])
    names = np.empty(len(pieces.patch), dtype=object)
    for piece in range(len(names)):
        names[piece] = tuple(sorted(held.get(piece, ())))
    return names


def _measure_units(cell: Cell, units: gpd.GeoDataFrame, measures: Measures, groups: Groups) -> None:
    """Add the distance to water, and whether a unit stands in water."""
    water = groups.make(cell.water, np.ones(len(cell.water), dtype=bool))
    wet_rows = (cell.water["state"] != "dry").to_numpy(dtype=bool) if len(cell.water) else np.zeros(0, dtype=bool)
    wet = groups.make(cell.water, wet_rows)
    units["nearest_water_m"] = measures.take_edge_m(water)
    geometry = measures.geometry
    ground = np.zeros(len(units))
    if len(wet):
        touching = np.flatnonzero(measures.take(water).nearest.distance_m <= 0)
        ground[touching] = find_ground_on(wet, geometry[touching])
    planar = shapely.area(geometry)
    units["in_water"] = (ground > _NO_GROUND_M2) & (ground > _NO_GROUND_SHARE * planar)


def _measure_patches(part: Part, settled: Settled, groups: Groups) -> gpd.GeoDataFrame:
    """Add distances, that of the nearest unit; a patch that was cut gets the vertices of the cuts on its outline."""
    cell, patches, pieces = part.cell, part.patches.copy(), settled.pieces
    first = np.searchsorted(pieces.patch, np.arange(len(patches)))
    for column, frame in (("nearest_water_m", cell.water), ("nearest_receptor_m", cell.receptors)):
        distance = settled.measures.take_edge_m(groups.make(frame, np.ones(len(frame), dtype=bool)))
        patches[column] = np.minimum.reduceat(distance, first)
    count = np.bincount(pieces.patch, minlength=len(patches))
    patches["unit_count"] = count
    patches["set_aside"] = [pieces.aside.get(place, "") for place in range(len(patches))]
    cut = np.flatnonzero(count > 1)
    if len(cut):
        outlines = np.asarray(patches.geometry.array, dtype=object).copy()
        outlines[cut] = mend_outlines(join_faces(replace(pieces, geometry=settled.outlines), cut))
        patches["geometry"] = outlines
        patches = patches.set_crs(part.patches.crs, allow_override=True)
    return patches
