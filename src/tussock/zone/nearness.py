"""In: units, rules bound to features. Out: one row for each unit and setback: which feature, how far, how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import CutError
from tussock.base.geodesy import find_distance_m
from tussock.base.records import ColumnDistance
from tussock.base.verdicts import CLEAR, INSIDE, WITHIN_ERROR
from tussock.zone.features import FeatureGroup, Nearest, find_inside, find_nearest, find_pairs
from tussock.zone.grounds import draw_grounds
from tussock.zone.origin import NO_ORIGIN, move_points_out
from tussock.zone.rules import SLACK_M, BoundRule

if TYPE_CHECKING:
    import pandas as pd
    from pyproj import CRS

FloatArray = NDArray[np.float64]
GeometryArray = NDArray[Any]

#: Sites with more units times rules than this keep only the rows that decide something.
MOST_ROWS: Final = 2_000_000
#: Rows of large sites are kept this far beyond the distance that their rule asks for [m].
SHOWN_M: Final = 150.0

COLUMNS = (
    "unit_id",
    "setback_id",
    "ruleset",
    "feature",
    "required_m",
    "achieved_m",
    "error_m",
    "in_force",
    "distance_verdict",
    "from_lon",
    "from_lat",
    "to_lon",
    "to_lat",
    "check",
)


@dataclass(frozen=True)
class Measure:
    """The nearest feature of each unit, the point pair [degrees] and the geodesic between them [m]."""

    nearest: Nearest
    points: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    achieved: FloatArray


class Measures:
    """Measures units against groups of features, once for all rules and figures that ask for the same."""

    def __init__(self, geometry: GeometryArray, crs: CRS, origin: tuple[float, float] = NO_ORIGIN) -> None:
        """Take units in the CRS of their cell, shape (u,), counted from an origin [m]."""
        self.geometry, self.crs, self.origin = geometry, crs, origin
        self._made: dict[tuple[int, bytes], Measure] = {}

    def take(self, group: FeatureGroup, distance_m: FloatArray | None = None) -> Measure:
        """Measure the units; of features with a distance each, shape (f,), against the one that exceeds it least.

        A distance that is one for all features makes no difference and is left out, so that results are shared, and a
        tie is decided alike for all rules.
        """
        credit = group.offset_m if distance_m is None else group.offset_m + distance_m * group.scale
        key = (id(group), credit.tobytes())
        if key not in self._made:
            nearest = find_nearest(group, self.geometry, credit)
            self._made[key] = Measure(
                nearest, *find_nearest_points(group, self.geometry, nearest, self.crs, self.origin)
            )
        return self._made[key]

    def take_edge_m(self, group: FeatureGroup) -> FloatArray:
        """Return the geodesic distance of each unit to the nearest edge of a group [m]; nan for an empty group."""
        return self.take(group).achieved if len(group) else np.full(len(self.geometry), np.nan)


def find_nearness(
    rules: Sequence[BoundRule],
    measures: Measures,
    unit_ids: Sequence[str],
    in_force: NDArray[np.bool_],
    *,
    every: bool = True,
) -> pd.DataFrame:
    """Measure every unit against every rule.

    Parameters
    ----------
    rules
        Rules of the cell.
    measures
        Units in the cell's CRS, shape (u,).
    unit_ids
        Their ids.
    in_force
        Which rule is in force on which unit, shape (rules, u).
    every
        Keep all rows, or only those that `choose_rows` keeps; all of them are proven.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`. Distances are geodesics between the nearest points. A rule without any feature in the
        layers has no row.

    Raises
    ------
    CutError
        A unit without a setback lies nearer than it allows: the proof that none does is taken here, for all of them.
    """
    import pandas as pd

    ids = np.asarray(unit_ids, dtype=object)
    tables, places = [], []
    for place, rule in enumerate(rules):
        if rule.group is not None and not len(rule.group):
            continue
        table = _measure_rule(rule, measures, in_force[place])
        kept = np.arange(len(ids)) if every else choose_rows(table)
        table = table if every else table.iloc[kept]
        table.insert(0, "unit_id", ids[kept])
        tables.append(table)
        places.append(kept)
    if not tables:
        return pd.DataFrame({name: [] for name in COLUMNS})
    joined = pd.concat(tables, ignore_index=True)
    order = np.argsort(np.concatenate(places), kind="stable")
    return joined.iloc[order].reset_index(drop=True)


def choose_rows(table: pd.DataFrame) -> NDArray[np.intp]:
    """Return the places of the rows that decide something: in force, or no further off than `SHOWN_M` beyond it."""
    far = table["achieved_m"] > table["required_m"] + table["error_m"] + SHOWN_M
    return np.flatnonzero(table["in_force"].to_numpy(dtype=bool) | ~far.to_numpy(dtype=bool))


def _measure_rule(
    rule: BoundRule,
    measures: Measures,
    in_force: NDArray[np.bool_],
) -> pd.DataFrame:
    import pandas as pd

    count = len(in_force)
    common = {"setback_id": rule.setback.id, "ruleset": rule.ruleset.title}
    if rule.group is None:
        nothing = np.full(count, np.nan)
        return pd.DataFrame(
            common
            | {"feature": ["the whole site"] * count, "required_m": nothing, "achieved_m": nothing}
            | {"error_m": 0.0, "in_force": True, "distance_verdict": INSIDE}
            | dict.fromkeys(("from_lon", "from_lat", "to_lon", "to_lat"), nothing)
            | {"check": False}
        )
    measure = measures.take(rule.group, _find_own_m(rule))
    nearest, points, achieved = measure.nearest, measure.points, measure.achieved
    short = _find_short(rule, nearest, in_force)
    if short:
        raise CutError(next(iter(short.values())))
    required = rule.distance_m[nearest.owner]
    inside = np.where(achieved < required - rule.error_m - SLACK_M, INSIDE, WITHIN_ERROR)
    inside = np.where(achieved <= required if rule.error_m == 0 else achieved < 0, INSIDE, inside)
    assumed = rule.group.assumed[nearest.owner]
    doubt = achieved <= required + rule.error_m + 2 * rule.group.offset_m[nearest.owner] / rule.group.scale
    return pd.DataFrame(
        common
        | {"feature": rule.group.label[nearest.owner], "required_m": required, "achieved_m": achieved}
        | {"error_m": rule.error_m, "in_force": in_force}
        | {"distance_verdict": np.where(in_force, inside, CLEAR)}
        | {"from_lon": points[0], "from_lat": points[1], "to_lon": points[2], "to_lat": points[3]}
        | {"check": assumed & doubt}
    )


def find_short(rules: Sequence[BoundRule], measures: Measures, in_force: NDArray[np.bool_]) -> dict[int, str]:
    """Return the units without a setback that stand nearer than its reach: place -> which setback and how far.

    See `find_nearness`.
    """
    short: dict[int, str] = {}
    for place, rule in enumerate(rules):
        if rule.group is None or not len(rule.group):
            continue
        nearest = measures.take(rule.group, _find_own_m(rule)).nearest
        short = _find_short(rule, nearest, in_force[place]) | short
    return short


def _find_own_m(rule: BoundRule) -> FloatArray | None:
    """Return the distance of each feature of a rule where each has its own."""
    return rule.distance_m if isinstance(rule.setback.distance, ColumnDistance) else None


def _find_short(rule: BoundRule, nearest: Nearest, in_force: NDArray[np.bool_]) -> dict[int, str]:
    """Return the units without a setback that do not stand off by its full reach: place -> how far they do."""
    group = rule.group
    if group is None:
        return {}
    name = f"setback {rule.setback.id}"
    if (nearest.owner < 0).any():
        raise CutError(f"{name}: a unit was not measured to any of its {len(group)} features")
    reach = rule.reach_m[nearest.owner] - group.offset_m[nearest.owner]
    short = np.flatnonzero(~in_force & (nearest.distance_m < reach - SLACK_M / 2))
    return {
        unit: f"{name}: a unit without it lies {nearest.distance_m[unit]:.6f} m from "
        f"{group.label[nearest.owner[unit]]}, {reach[unit]:.6f} m are needed"
        for unit in short.tolist()
    }


def find_nearest_points(
    group: FeatureGroup,
    geometry: GeometryArray,
    nearest: Nearest,
    crs: CRS,
    origin: tuple[float, float] = NO_ORIGIN,
) -> tuple[tuple[FloatArray, FloatArray, FloatArray, FloatArray], FloatArray]:
    """Return the nearest point pair of each unit and its feature [degrees], and the geodesic between them [m].

    The pair of a unit that stands on the feature is one point of the unit, and the distance 0. For a feature drawn as
    a line the far point is on the water's edge, half the width from the line.
    """
    owner = np.maximum(nearest.owner, 0)
    lines = shapely.shortest_line(geometry, group.runs[np.maximum(nearest.run, 0)])
    start = shapely.get_coordinates(shapely.get_point(lines, 0))
    core = shapely.get_coordinates(shapely.get_point(lines, -1))
    share = _find_shares(start, core, group.offset_m[owner] / group.scale, crs, origin)
    edge = start + (core - start) * share[:, None]
    on = nearest.distance_m <= 0
    inner = shapely.get_coordinates(shapely.point_on_surface(geometry[on]))
    start[on], edge[on] = inner, inner
    (from_lon, from_lat), (to_lon, to_lat) = (move_points_out(xy, origin, crs, "EPSG:4326").T for xy in (start, edge))
    achieved = np.where(on, 0.0, find_distance_m(from_lon, from_lat, to_lon, to_lat))
    achieved = np.where(nearest.owner < 0, np.nan, achieved)
    return (from_lon, from_lat, to_lon, to_lat), achieved


def _find_shares(
    start: FloatArray, core: FloatArray, half_m: FloatArray, crs: CRS, origin: tuple[float, float]
) -> FloatArray:
    """Return how far along from a unit to the line of its feature the water's edge lies, as a share, shape (u,).

    Half the width is taken off the geodesic: in a CRS whose scale is not 1 it is not the same length.
    """
    gap = np.hypot(*(core - start).T)
    share = np.where(gap > 0, 1.0, 0.0)
    wide = np.flatnonzero((half_m > 0) & (gap > 0))
    ends = (move_points_out(xy[wide], origin, crs, "EPSG:4326").T for xy in (start, core))
    length = find_distance_m(*(item for pair in ends for item in pair))
    share[wide] = np.divide(length - half_m[wide], length, out=np.zeros_like(length), where=length > half_m[wide])
    return share


def find_ground_on(group: FeatureGroup, geometry: GeometryArray) -> FloatArray:
    """Return the area of each geometry that lies on the features themselves [m2 of the cell's CRS]."""
    area = np.zeros(len(geometry))
    item, cell = find_inside(group, geometry)
    pair, run, _ = find_pairs(group, geometry, group.offset_m)
    ground, place = draw_grounds(group, pair, run, group.offset_m[group.run_owner[run]], item, cell)
    area[place] = shapely.area(shapely.intersection(ground, geometry[place]))
    return area
