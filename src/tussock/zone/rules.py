"""In: setbacks and the layers of one cell. Out: rules bound to features: which ones, and how far each one reaches.

A rule with ``measure = "slope"`` counts its distance along the ground. Along the ground it is never shorter than on the
map, so every place within the distance along the ground is within it on the map as well: the map distance is kept for
both measures. A slope or an elevation model could only narrow the strip, on the strength of a grid whose error nobody
states, so neither is used here; what they say is told beside the distance on the map (`slopes`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError
from tussock.base.records import ColumnDistance, FeatureFilter, Ruleset, Setback
from tussock.base.units import FOOT_M
from tussock.zone.features import FeatureGroup, Groups

if TYPE_CHECKING:
    import geopandas as gpd

    from tussock.base.stages import Cell

FloatArray = NDArray[np.float64]

#: Added to every reach [m], so that standing exactly at the distance counts as inside whatever the rounding.
SLACK_M = 1e-5


@dataclass(frozen=True)
class BoundRule:
    """One setback bound to the features of a cell.

    Attributes
    ----------
    setback, ruleset
        The rule and its set.
    group
        Features that the distance runs from; None where the rule holds anywhere.
    distance_m
        Distance asked for, for each feature, shape (f,).
    error_m
        Positional error of patch and feature, added [m].
    reach_m
        From the core of each feature to the edge of its zone, widened, shape (f,).
    """

    setback: Setback
    ruleset: Ruleset
    group: FeatureGroup | None
    distance_m: FloatArray
    error_m: float
    reach_m: FloatArray

    @property
    def anywhere(self) -> bool:
        """Whether the rule holds on the whole site."""
        return self.group is None


def choose_features(frame: gpd.GeoDataFrame, wanted: FeatureFilter) -> NDArray[np.bool_]:
    """Tell which features a filter means. A kind that is not mapped counts as every kind; a state, as wet."""
    chosen = np.ones(len(frame), dtype=bool)
    if wanted.kind:
        kind = frame["kind"]
        chosen &= (kind.isin(wanted.kind) | (kind == "")).to_numpy()
    if wanted.state is not None and wanted.layer == "water":  # of receptors a column of that name says something else
        chosen &= (frame["state"] == wanted.state).to_numpy()
    if wanted.name and "name" in frame.columns:
        chosen &= frame["name"].astype(str).str.strip().isin(wanted.name).to_numpy()
    return chosen


def bind_rules(
    cell: Cell,
    setbacks: Sequence[tuple[Ruleset, Setback]],
    accuracy_m: dict[str, float],
    layer_paths: dict[str, str],
    groups: Groups,
) -> list[BoundRule]:
    """Bind every setback to the features of a cell.

    Parameters
    ----------
    cell
        Layers in one CRS.
    setbacks
        Rules with their sets.
    accuracy_m
        Positional accuracy of ``infestations``, ``water``, ``receptors`` [m].
    layer_paths
        File of each layer, for faults.
    groups
        Makes the groups of features.

    Raises
    ------
    InputError
        A rule takes its distance from a column that a layer or a feature does not have.
    """
    bound, faults = [], []
    for ruleset, setback in setbacks:
        wanted = setback.source_filter
        if setback.distance == "anywhere" or wanted is None:
            bound.append(BoundRule(setback, ruleset, None, np.empty(0), 0.0, np.empty(0)))
            continue
        frame = cell.water if wanted.layer == "water" else cell.receptors
        group = groups.make(frame, choose_features(frame, wanted))
        distance, fault = _find_distance(setback, frame, group, layer_paths.get(wanted.layer, wanted.layer))
        faults += fault
        error = accuracy_m["infestations"] + accuracy_m[wanted.layer]
        off = cell.outline_error_m["infestations"] + cell.outline_error_m[wanted.layer]
        reach = group.offset_m + (distance + error) * cell.most_scale
        reach = np.where(reach > 0, reach + off * cell.most_scale, reach)
        reach = np.where(reach > 0, reach + SLACK_M, reach)
        bound.append(BoundRule(setback, ruleset, group, distance, error, reach))
    if faults:
        raise InputError(faults)
    return bound


def find_most_reach_m(
    cell: Cell,
    setbacks: Sequence[tuple[Ruleset, Setback]],
    accuracy_m: dict[str, float],
    layer: str,
    least_m: float = 0.0,
) -> float:
    """Return how far any rule can reach from the core of a feature of a layer [m], never less than it does.

    A feature that no rule names is looked for as far as ``least_m``.
    """
    frame = cell.water if layer == "water" else cell.receptors
    most = least_m
    for _, setback in setbacks:
        wanted = setback.source_filter
        if wanted is None or wanted.layer != layer or setback.distance == "anywhere":
            continue
        if isinstance(setback.distance, ColumnDistance):
            size = _read_column(setback.distance, frame) if setback.distance.column in frame.columns else np.empty(0)
            most = max(most, float(np.nanmax(size, initial=0.0)) * setback.distance.times)
        else:
            most = max(most, float(setback.distance))
    half = np.nan_to_num(frame["width_m"].to_numpy(dtype=float)) / 2 if layer == "water" else np.empty(0)
    error = accuracy_m["infestations"] + accuracy_m[layer]
    error += cell.outline_error_m["infestations"] + cell.outline_error_m[layer]
    return (most + error + float(half.max(initial=0.0))) * cell.most_scale + SLACK_M


def _read_column(column: ColumnDistance, frame: gpd.GeoDataFrame) -> FloatArray:
    """Return the figures of a column [m]; nan where there is none."""
    import pandas as pd

    values: Any = pd.to_numeric(frame[column.column], errors="coerce")
    return np.asarray(values.to_numpy(dtype=float) * (FOOT_M if column.unit == "ft" else 1.0), dtype=float)


def _find_distance(
    setback: Setback, frame: gpd.GeoDataFrame, group: FeatureGroup, where: str
) -> tuple[FloatArray, list[Fault]]:
    """Return the distance of a rule for each feature of its group, from the rule or from the feature's own column."""
    if not isinstance(setback.distance, ColumnDistance):
        return np.full(len(group), float(setback.distance)), []
    column = setback.distance
    what = f'setback "{setback.id}", distance from column "{column.column}"'
    if column.column not in frame.columns:
        if not len(group):
            return np.empty(0), []
        listed = ", ".join(str(name) for name in frame.columns if name != "geometry")
        return np.zeros(len(group)), [Fault(where, what, "no such column", f"the layer has {listed}")]
    rows = frame.iloc[group.owner_row]
    values: Any = rows[column.column]
    size = _read_column(column, rows)
    bad = ~np.isfinite(size) | (size < 0)
    need = "give every such feature the figure: without it the rule cannot be held"
    faults = [
        Fault(where, f"{group.label[place]}, {what}", _show(values.iloc[place]), need)
        for place in np.flatnonzero(bad).tolist()
    ]
    return np.where(bad, 0.0, size) * column.times, faults


def _show(value: Any) -> str:
    """Return a cell as a fault shows it; an empty one is nothing."""
    return "nothing" if value is None or value != value else str(value)  # noqa: PLR0124  (only nan differs from itself)
