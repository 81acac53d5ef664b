"""In: patches, a stem table, units. Out: the stems of each unit by diameter class: how dense, and whole ones."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.prescribe.dose import Stand

if TYPE_CHECKING:
    import geopandas as gpd

Classes = dict[str, list[tuple[float, float]]]
IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class UnitStems:
    """Stems of a unit: its stand, and how many stand there of each class, shape (classes,).

    Stems drawn as points make the stand of the unit that they stand on. Others are taken as spread evenly over the
    patch: their density is that of the patch, on each of its units.
    """

    stand: Stand
    count: IntArray

    @property
    def is_mapped(self) -> bool:
        """Whether stems are mapped, be it none."""
        return not math.isnan(self.stand.stems_per_ha)


def find_stands(patches: gpd.GeoDataFrame, stems: gpd.GeoDataFrame | None) -> dict[str, Stand]:
    """Return the stand of each patch.

    Parameters
    ----------
    patches
        Indexed by ``patch_id``: ``area_m2, cover_pct, stem_count, stems_per_ha, stem_diameter_m``.
    stems
        Rows of the stems layer (``patch_id, stem_diameter_m, stem_count, stems_per_ha``); where a patch has rows
        there, they stand for the patch's own columns.
    """
    table = _list_classes(patches, stems)
    stands = {}
    rows: dict[Any, dict[Any, Any]] = patches.drop(columns="geometry").to_dict("index")
    for patch_id, patch in rows.items():
        area_ha = patch["area_m2"] / 10_000
        classes = table.get(str(patch_id))
        if classes is None:
            density = patch["stem_count"] / area_ha if not math.isnan(patch["stem_count"]) else patch["stems_per_ha"]
            classes = [] if math.isnan(density) else [(patch["stem_diameter_m"], density)]
        total = sum(density for _, density in classes) if classes else math.nan
        shares = tuple((size, density / total if total else 1 / len(classes)) for size, density in classes)
        stands[str(patch_id)] = Stand(total, shares, patch["cover_pct"] / 100)
    return stands


def _list_classes(patches: gpd.GeoDataFrame, stems: gpd.GeoDataFrame | None) -> Classes:
    """Return diameter [m] and density [1/ha] of each class, by patch; stems of one diameter are one class."""
    table: Classes = {}
    if stems is None:
        return table
    area_ha = patches["area_m2"] / 10_000
    summed: dict[str, dict[float, float]] = {}
    for row in stems.itertuples():
        name = str(row.patch_id)
        density = row.stem_count / area_ha.loc[name] if not math.isnan(row.stem_count) else row.stems_per_ha
        own = summed.setdefault(name, {})
        size = round(float(row.stem_diameter_m), 6)
        own[size] = own.get(size, 0.0) + float(density)
    for name, own in summed.items():
        table[name] = sorted(own.items())
    return table


def list_unit_stems(
    patches: gpd.GeoDataFrame, units: gpd.GeoDataFrame, stems: gpd.GeoDataFrame | None
) -> dict[str, UnitStems]:
    """Return the stems of each unit; the whole stems of the units of a patch add up to the patch's.

    Parameters
    ----------
    patches, stems
        See `find_stands`.
    units
        Indexed by ``unit_id``: ``patch_id, area_m2`` and geometry.

    Returns
    -------
    dict
        Unit id -> its stems.
    """
    stands = find_stands(patches, stems)
    drawn = _count_drawn(units, stands, stems)
    listed: dict[str, UnitStems] = {}
    area = units["area_m2"]
    gross_m2: dict[Any, float] = patches["area_m2"].to_dict()
    for patch_id, rows in units.groupby("patch_id", sort=False).indices.items():
        stand = stands[str(patch_id)]
        ids = [str(unit_id) for unit_id in units.index[rows]]
        own = area.iloc[rows].to_numpy(dtype=float)
        if math.isnan(stand.stems_per_ha):
            listed |= {unit_id: UnitStems(stand, _none(stand)) for unit_id in ids}
        elif str(patch_id) in drawn:
            counts = drawn[str(patch_id)]
            listed |= {
                unit_id: _stand_on(stand, counts.get(unit_id, _none(stand)), area_m2)
                for unit_id, area_m2 in zip(ids, own.tolist(), strict=True)
            }
        else:
            total = stand.stems_per_ha * gross_m2[patch_id] / 10_000 * stand.shares
            whole = np.column_stack([_share_whole(own, round(float(count))) for count in total])
            listed |= {unit_id: UnitStems(stand, whole[place]) for place, unit_id in enumerate(ids)}
    return listed


def _stand_on(patch: Stand, count: IntArray, area_m2: float) -> UnitStems:
    """Return the stems of a unit whose stems were drawn; classes that do not stand on it are left out."""
    there = np.flatnonzero(count)
    total = int(count.sum())
    classes = tuple((patch.classes[place][0], float(count[place]) / total) for place in there.tolist())
    return UnitStems(Stand(total / (area_m2 / 10_000), classes, patch.cover), count[there])


def _none(stand: Stand) -> IntArray:
    return np.zeros(len(stand.classes), dtype=np.int64)


def _share_whole(weights: NDArray[np.float64], total: int) -> IntArray:
    """Share a whole number by weights; the largest remainders get what is left."""
    exact = weights / weights.sum() * total
    whole: IntArray = np.floor(exact).astype(np.int64)
    left = total - int(whole.sum())
    whole[np.argsort(-(exact - whole), kind="stable")[:left]] += 1
    return whole


def _count_drawn(
    units: gpd.GeoDataFrame, stands: dict[str, Stand], stems: gpd.GeoDataFrame | None
) -> dict[str, dict[str, IntArray]]:
    """Count stems drawn as points in the unit of their patch that they lie in (the nearest one, on an edge).

    A stem lies in its patch, so the least distance is 0 but for rounding, in metres or in degrees.
    """
    counted: dict[str, dict[str, IntArray]] = {}
    if stems is None or stems.geometry.isna().any():
        return counted
    places = units.groupby("patch_id", sort=False).indices
    outlines = np.asarray(units.geometry.array, dtype=object)
    for name, own in stems.groupby("patch_id"):
        rows = places[name]
        stand = stands[str(name)]
        sizes = [round(size, 6) for size, _ in stand.classes]
        points = np.asarray(own.geometry.array, dtype=object)
        nearest = np.argmin(shapely.distance(outlines[rows][:, None], points[None, :]), axis=0)
        for place, size, count in zip(nearest.tolist(), own["stem_diameter_m"], own["stem_count"], strict=True):
            unit_id = str(units.index[rows[place]])
            counts = counted.setdefault(str(name), {}).setdefault(unit_id, _none(stand))
            counts[_find_class(sizes, float(size))] += int(count)
    return counted


def _find_class(sizes: list[float], size: float) -> int:
    return sizes.index(round(size, 6)) if not math.isnan(size) else len(sizes) - 1


def take_share(stems: IntArray, share: float, each_l: FloatArray, most_l: float) -> IntArray:
    """Return the stems that a limit leaves, in whole stems of each class.

    Parameters
    ----------
    stems
        Stems of each class, shape (classes,).
    share
        Share of the stems that is left, rounded down in all. Areas are true to 1e-5, so a limit for an area is counted
        with that: 399.999 stems are 400.
    each_l
        Liquid that one stem of each class takes [L].
    most_l
        Most liquid on the unit [L]: thick stems that would take more are left, thinner ones taken in their place.
    """
    total = int(stems.sum())
    treated = min(math.floor(total * share * (1 + 1e-5) + 1e-9), total)
    if treated == total:
        return stems
    taken = _share_whole(stems.astype(float), treated)
    by_size = np.argsort(each_l, kind="stable").tolist()
    for place in reversed(by_size):
        over = float(np.dot(taken, each_l)) - most_l * (1 + 1e-5)
        if over > 0:
            taken[place] -= min(taken[place], math.ceil(over / each_l[place] - 1e-9))
    for place in by_size if taken.sum() < treated else ():
        room = (most_l * (1 + 1e-5) - float(np.dot(taken, each_l))) / each_l[place]
        taken[place] += min(stems[place] - taken[place], treated - taken.sum(), math.floor(room + 1e-9))
    return taken
