"""In: units, and the layers around them in each cell. Out: distances on foot, flagged edges, mixing places checked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError
from tussock.base.findings import Finding
from tussock.base.geodesy import find_gap_m, find_length_m, move_geometry
from tussock.base.records import LOOK, ColumnDistance, FeatureFilter, Setback
from tussock.base.stages import Cell, LayerName, Measured, Site
from tussock.base.units import FOOT_M
from tussock.base.verdicts import FIELD_CHECK, MEETS

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

FloatArray = NDArray[np.float64]

#: Access features where a vehicle stops; where a site has none of them, every access feature counts.
_VEHICLE_KINDS: Final = ("road", "parking", "gate", "trailhead", "staging", "mixing")
#: Access features where a mix is made, in this order: the first kind that the site has counts.
_MIXING_KINDS: Final = (("mixing", "staging"), ("parking", "trailhead", "gate"))
#: Standing exactly at the distance counts as inside, whatever the rounding [m].
_SLACK_M: Final = 1e-5
#: Scales of a CRS differ by less than this over one site: what is nearest on the ground is among what is as near.
_SCALE_SHARE: Final = 2e-3
#: Two units share an edge where their outlines run closer together than this [m].
_EDGE_M: Final = 0.005
_COLUMNS: Final = ("place", "setback_id", "feature", "required_m", "achieved_m", "error_m", "verdict")
NOT_USED: Final = "inside: not used for mixing"


@dataclass(frozen=True)
class Surroundings:
    """Distances of each unit and the mixing places of the site.

    ``distances`` has the index of the units: ``walk_m, access, mixing_m, mixing_place, limited_edge_m``; nan and blank
    where the site has no such place. ``mixing`` has one row for each place and rule against mixing.
    """

    distances: pd.DataFrame
    mixing: pd.DataFrame
    findings: tuple[Finding, ...]


def find_surroundings(site: Site, measured: Measured, units: gpd.GeoDataFrame, named: Iterable[str]) -> Surroundings:
    """Measure the ways on foot around every unit.

    Parameters
    ----------
    site
        Rules against mixing, accuracy of the layers.
    measured
        Layers in cells whose CRS is fit for distances.
    units
        With ``patch_id, setbacks, status`` and geometry in the layer's own CRS.
    named
        Names of the access features where mixes are made; without any, by their kind.

    Returns
    -------
    Surroundings
        Straight distances on the ground [m] from the unit's edge to the nearest place where a vehicle stops and to the
        nearest mixing place that no rule closes; length of the edge between units with different setbacks [m], where
        the crew sets flags: half of it to each of two planned units, all of it to the planned one of two.

    Raises
    ------
    InputError
        A mixing place is named that the access layer does not hold as a point or an area.
    """
    import pandas as pd

    names = tuple(named)
    parts, tables = [], []
    for cell in measured.cells:
        own = units[units["patch_id"].isin(cell.patches.index)]
        geometry = move_geometry(np.asarray(own.geometry.array, dtype=object), measured.patches.crs, cell.crs)
        places = _pick_mixing(cell, names)
        checked = _check_mixing(site, cell, places)
        closed = set(checked.loc[checked["verdict"] == NOT_USED, "place"])
        tables.append(checked)
        walk_m, access = _find_nearest(cell, geometry, _pick_access(cell))
        mixing_m, mixing = _find_nearest(cell, geometry, places[~places["label"].isin(closed)])
        edge_m = _find_limited_edge(cell, own, geometry)
        columns = {"walk_m": walk_m, "access": access, "mixing_m": mixing_m, "mixing_place": mixing}
        parts.append(pd.DataFrame(columns | {"limited_edge_m": edge_m}, index=own.index))
    _check_names(measured, names)
    distances = pd.concat(parts).reindex(units.index)
    mixing_table = pd.concat(tables, ignore_index=True).drop_duplicates(["place", "setback_id"], ignore_index=True)
    return Surroundings(distances, mixing_table, tuple(_describe(mixing_table)))


def _pick_access(cell: Cell) -> gpd.GeoDataFrame:
    if not len(cell.access):
        return cell.access
    vehicles = cell.access[cell.access["kind"].isin(_VEHICLE_KINDS)]
    return vehicles if len(vehicles) else cell.access


def _pick_mixing(cell: Cell, names: tuple[str, ...]) -> gpd.GeoDataFrame:
    """Return the places to mix at: those named, else those of the first kind that the site has; never a line."""
    access = cell.access
    if not len(access):
        return access
    areal = access[access.geometry.geom_type.isin(["Point", "MultiPoint", "Polygon", "MultiPolygon"])]
    if names:
        return areal[_is_named(areal, names)]
    for kinds in _MIXING_KINDS:
        found = areal[areal["kind"].isin(kinds)]
        if len(found):
            return found
    return areal.iloc[:0]


def _is_named(frame: gpd.GeoDataFrame, names: tuple[str, ...]) -> NDArray[np.bool_]:
    chosen = frame["label"].isin(names)
    if "name" in frame.columns:
        chosen |= frame["name"].astype(str).isin(names)
    found: NDArray[np.bool_] = chosen.to_numpy(dtype=bool)
    return found


def _check_names(measured: Measured, names: tuple[str, ...]) -> None:
    faults = []
    for name in names:
        if any(len(_pick_mixing(cell, (name,))) for cell in measured.cells):
            continue
        listed = sorted({str(item) for cell in measured.cells for item in _pick_mixing_names(cell)})
        need = f"name a point or an area of the access layer: {', '.join(listed) or '(it has none)'}"
        faults.append(Fault("operations", "time.mixing_at", f'"{name}"', need))
    if faults:
        raise InputError(faults)


def _pick_mixing_names(cell: Cell) -> list[Any]:
    if not len(cell.access):
        return []
    areal = cell.access[~cell.access.geometry.geom_type.str.contains("Line")]
    return list(areal["name"] if "name" in areal.columns else areal["label"])


def _find_nearest(cell: Cell, geometry: NDArray[Any], places: gpd.GeoDataFrame) -> tuple[FloatArray, list[str]]:
    if not len(places) or not len(geometry):
        return np.full(len(geometry), np.nan), [""] * len(geometry)
    spots = np.asarray(places.geometry.array, dtype=object)
    item, nearest = shapely.STRtree(spots).query_nearest(geometry, all_matches=False)
    distance = np.full(len(geometry), np.nan)
    label = [""] * len(geometry)
    distance[item] = find_gap_m(geometry[item], spots[nearest], cell.crs)
    for unit, place in zip(item, nearest, strict=True):
        label[unit] = str(places["label"].iloc[place])
    return distance, label


def _find_limited_edge(cell: Cell, units: gpd.GeoDataFrame, geometry: NDArray[Any]) -> FloatArray:
    """Return the length of the setback edges that each planned unit bears the flagging of [m]."""
    patch, setbacks = units["patch_id"].to_numpy(), units["setbacks"].to_numpy()
    planned = ((units["status"] == "planned") & (units["method"] != LOOK)).to_numpy(dtype=bool)
    pairs, lines = [], []
    order = np.argsort(patch, kind="stable")
    for members in np.split(order, np.flatnonzero(patch[order][1:] != patch[order][:-1]) + 1):
        if len(members) == 1 or not planned[members].any():
            continue
        tree = shapely.STRtree(geometry[members])
        first, second = tree.query(geometry[members], predicate="dwithin", distance=_EDGE_M)
        for a, b in zip(members[first], members[second], strict=True):  # over geometry: only patches that are cut
            if a >= b or setbacks[a] == setbacks[b] or not (planned[a] or planned[b]):
                continue
            pairs.append((a, b))
            lines.append(shapely.intersection(shapely.boundary(geometry[a]), shapely.buffer(geometry[b], _EDGE_M)))
    one, other = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    share = find_length_m(np.array(lines, dtype=object), cell.crs) / np.where(planned[one] & planned[other], 2, 1)
    borne = np.bincount(one, share * planned[one], minlength=len(units))
    return np.asarray(borne + np.bincount(other, share * planned[other], minlength=len(units)), dtype=np.float64)


def _check_mixing(site: Site, cell: Cell, places: gpd.GeoDataFrame) -> pd.DataFrame:
    """Compare every mixing place with every rule against mixing: the nearest feature, distance and verdict."""
    import pandas as pd

    rows: list[tuple[Any, ...]] = []
    spots = np.asarray(places.geometry.array, dtype=object)
    for _, setback in site.setbacks():
        if setback.no_mixing is None:
            continue
        for label, spot in zip(places["label"] if len(places) else (), spots, strict=True):
            rows.append((str(label), setback.id, *_compare(site, cell, setback, spot)))
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _compare(site: Site, cell: Cell, setback: Setback, spot: Any) -> tuple[str, float, float, float, str]:
    """Return feature, required, achieved, error [m] and verdict of one place under one rule."""
    wanted = setback.source_filter
    if wanted is None or setback.distance == "anywhere":
        return "the whole site", np.nan, np.nan, 0.0, NOT_USED
    frame = cell.water if wanted.layer == "water" else cell.receptors
    frame = frame[_choose(frame, wanted)]
    error_m = _accuracy(site, "access") + _accuracy(site, wanted.layer)
    if not len(frame):
        return "", np.nan, np.nan, error_m, MEETS
    required = _find_required(setback, frame)
    half = np.zeros(len(frame))
    if "width_m" in frame.columns:
        half = np.nan_to_num(frame["width_m"].to_numpy(dtype=float)) / 2
    shapes = np.asarray(frame.geometry.array, dtype=object)
    gap = shapely.distance(shapes, spot)
    margin = gap - half - required
    near = np.flatnonzero(margin <= margin.min() + _SCALE_SHARE * gap[np.argmin(margin)])
    edge = np.maximum(find_gap_m(np.full(len(near), spot), shapes[near], cell.crs) - half[near], 0.0)
    best = int(np.argmin(edge - required[near]))
    place, achieved = int(near[best]), float(edge[best])
    label = str(frame["label"].iloc[place])
    if achieved <= required[place] + _SLACK_M:
        return label, float(required[place]), achieved, error_m, NOT_USED
    if achieved <= required[place] + error_m:
        return label, float(required[place]), achieved, error_m, FIELD_CHECK
    return label, float(required[place]), achieved, error_m, MEETS


def _accuracy(site: Site, name: LayerName) -> float:
    layer = site.layers.get(name)
    return 0.0 if layer is None else layer.accuracy_m or 0.0


def _choose(frame: gpd.GeoDataFrame, wanted: FeatureFilter) -> NDArray[np.bool_]:
    """Return the features that a rule means; an unmapped kind counts as every kind, a state that is not dry as wet."""
    chosen = np.ones(len(frame), dtype=bool)
    if not len(frame):
        return chosen
    if wanted.kind:
        chosen &= (frame["kind"].isin(wanted.kind) | (frame["kind"] == "")).to_numpy(dtype=bool)
    if wanted.state is not None and "state" in frame.columns:
        dry = (frame["state"] == "dry").to_numpy(dtype=bool)
        chosen &= dry if wanted.state == "dry" else ~dry
    if wanted.name and "name" in frame.columns:
        chosen &= frame["name"].astype(str).str.strip().isin(wanted.name).to_numpy(dtype=bool)
    return chosen


def _find_required(setback: Setback, frame: gpd.GeoDataFrame) -> FloatArray:
    if not isinstance(setback.distance, ColumnDistance):
        return np.full(len(frame), float(setback.distance))
    column = setback.distance
    values: Any = frame[column.column].to_numpy(dtype=float)
    size: FloatArray = np.nan_to_num(values, nan=np.inf) * (FOOT_M if column.unit == "ft" else 1.0) * column.times
    return size


def _describe(mixing: pd.DataFrame) -> list[Finding]:
    findings = []
    row: Any
    for row in mixing.itertuples():
        if row.verdict == MEETS:
            continue
        what = f"mixing place {row.achieved_m:.1f} m from {row.feature}; {row.setback_id}: {row.required_m:.1f} m"
        if np.isnan(row.achieved_m):
            what = f"{row.setback_id} allows no mixing on the whole site"
        done = "not used: loads are carried from the next place" if row.verdict == NOT_USED else "check in the field"
        findings.append(Finding("budget", "access", str(row.place), what, done))
    return findings
