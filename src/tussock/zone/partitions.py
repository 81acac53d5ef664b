"""In: layer files too large for memory. Out: pieces in one file for each partition, whatever the partitioning the same.

A patch belongs to one partition, by the middle of its box along a Hilbert curve, and is cut there once, by every whole
feature that any of its zones can reach: what is near a patch is the same in every partitioning, and so is the result.
Partitions run one after another, with the memory of one, or on a dask scheduler that sees the same files.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from tussock.base.errors import CutError
from tussock.base.sources import check_source
from tussock.zone.cluster import run_on_dask
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import make_group
from tussock.zone.kernel import cut_blocks
from tussock.zone.origin import choose_origin
from tussock.zone.rules import SLACK_M

if TYPE_CHECKING:
    import geopandas as gpd

PARTITION_PATCHES: Final = 100_000


@dataclass(frozen=True)
class LayerFile:
    """A layer of a file that GDAL reads, in a projected CRS in metres; ``width_column`` names widths of lines [m]."""

    path: str
    layer: str | None = None
    width_column: str | None = None


@dataclass(frozen=True)
class ZoneFile:
    """Features and the distances [m] from their edge, each distance a zone."""

    features: LayerFile
    distance_m: tuple[float, ...]


@dataclass(frozen=True)
class Job:
    """One partition: the feature ids of its patches, what cuts them, the origin of all, and the file that it writes."""

    patches: LayerFile
    zones: tuple[ZoneFile, ...]
    fids: tuple[int, ...]
    sliver_area_m2: float
    origin: tuple[float, float]
    target: str


def cut_files(
    patches: LayerFile,
    zones: Sequence[ZoneFile],
    folder: Path,
    *,
    size: int = PARTITION_PATCHES,
    sliver_area_m2: float = 0.0,
    scheduler: str | None = None,
    tell: Callable[[str], None] | None = None,
) -> list[Path]:
    """Cut the patches of a file, partition by partition.

    Parameters
    ----------
    patches
        Polygons in a projected CRS in metres that is true over the layer.
    zones
        Features in the same CRS, and distances.
    folder
        Where the parts go; it must be there, and the workers of a scheduler must see it under the same name.
    size
        Patches in a partition; the result does not depend on it.
    sliver_area_m2
        See `cut_blocks`.
    scheduler
        Address of a dask scheduler; without it the partitions run one after another.
    tell
        Called with a line for each partition done.

    Returns
    -------
    list of Path
        GeoPackages with one row for each piece: ``patch`` (feature id), ``zones`` (one 0 or 1 for each distance, in the
        order given), ``area_m2`` and geometry.

    Raises
    ------
    MissingExtraError
        A scheduler is named and dask is not installed.
    InputError
        A file is in a format that is not read, or not what its name says.
    """
    jobs = split_jobs(patches, zones, folder, size, sliver_area_m2)
    say = tell or _say_nothing
    results = map(cut_partition, jobs) if scheduler is None else run_on_dask(cut_partition, jobs, scheduler)
    done = []
    for number, path in enumerate(results, start=1):
        done.append(path)
        say(f"partition {number} of {len(jobs)}")
    return sorted(done)


def split_jobs(
    patches: LayerFile, zones: Sequence[ZoneFile], folder: Path, size: int, sliver_area_m2: float
) -> list[Job]:
    """Share the patches out by the middle of their boxes; only the boxes are read."""
    import geopandas as gpd
    import pyogrio

    for source in (patches, *(zone.features for zone in zones)):
        check_source(Path(source.path), "path")
    fids, (west, south, east, north) = pyogrio.read_bounds(patches.path, layer=patches.layer)
    middle = gpd.GeoSeries(shapely.points((west + east) / 2, (south + north) / 2))
    whole = (west.min(), south.min(), east.max(), north.max()) if len(fids) else (0.0, 0.0, 0.0, 0.0)
    origin = choose_origin(*whole)
    order = np.lexsort((fids, middle.hilbert_distance().to_numpy())) if len(fids) else np.empty(0, np.intp)
    return [
        Job(
            patches,
            tuple(zones),
            tuple(np.sort(fids[order[start : start + size]]).tolist()),
            sliver_area_m2,
            origin,
            str(folder / f"part-{number:05d}.gpkg"),
        )
        for number, start in enumerate(range(0, len(order), size))
    ]


def cut_partition(job: Job) -> Path:
    """Cut one partition and write its pieces; written beside and moved into place, so that a half file never counts."""
    import geopandas as gpd

    own = _read(job.patches, fids=np.array(job.fids))
    geometry = shapely.transform(np.asarray(own.geometry.array, dtype=object), lambda xy: xy - job.origin)
    specs = [spec for zone in job.zones for spec in _make_specs(zone, own.total_bounds, job.origin)]
    pieces = cut_blocks(geometry, specs, sliver_area_m2=job.sliver_area_m2)
    for place, why in pieces.aside.items():
        raise CutError(f"{job.patches.path}: feature {own.index[place]}: the outline could not be cut ({why})")
    rows = {
        "patch": own.index.to_numpy()[pieces.patch],
        "zones": ["".join("01"[held] for held in row) for row in pieces.inside.astype(int).tolist()],
        "area_m2": shapely.area(pieces.geometry),
    }
    target = Path(job.target)
    beside = target.with_name(f".{target.stem}-{np.random.default_rng().integers(1 << 62):x}.gpkg")
    moved = shapely.transform(pieces.geometry, lambda xy: xy + job.origin)
    parts, place = shapely.get_parts(moved, return_index=True)
    shapes = shapely.multipolygons(parts, indices=place)
    gpd.GeoDataFrame(rows, geometry=shapes, crs=own.crs).to_file(beside, layer="pieces", engine="pyogrio")
    return beside.replace(target)


def _make_specs(zone: ZoneFile, box: Any, origin: tuple[float, float]) -> list[ZoneSpec]:
    """Read the whole features that can reach a box and make their zones."""
    import geopandas as gpd

    far = max(zone.distance_m)
    half = _find_most_width(zone.features) / 2
    margin = far + half + 1.0
    near = _read(zone.features, bbox=tuple(box + np.array([-margin, -margin, margin, margin])))
    width = np.zeros(len(near))
    if zone.features.width_column is not None:
        width = np.nan_to_num(near[zone.features.width_column].to_numpy(dtype=float))
    columns = {"label": near.index, "width_m": width, "width_assumed": False}
    shapes = shapely.transform(np.asarray(near.geometry.array, dtype=object), lambda xy: xy - origin)
    frame = gpd.GeoDataFrame(columns, geometry=shapes)
    group = make_group(frame, np.ones(len(frame), dtype=bool))
    return [ZoneSpec(group, group.offset_m + distance + SLACK_M) for distance in zone.distance_m]


def _find_most_width(features: LayerFile) -> float:
    import pyogrio

    if features.width_column is None:
        return 0.0
    columns = [features.width_column]
    table = pyogrio.read_dataframe(features.path, layer=features.layer, columns=columns, read_geometry=False)
    widths = table[features.width_column].to_numpy(dtype=float)
    return float(np.nanmax(widths, initial=0.0))


def _read(source: LayerFile, **chosen: Any) -> gpd.GeoDataFrame:
    """Read some rows of a layer, in the order of their feature ids."""
    import pyogrio

    columns = [] if source.width_column is None else [source.width_column]
    frame = pyogrio.read_dataframe(source.path, layer=source.layer, columns=columns, fid_as_index=True, **chosen)
    return frame.sort_index()


def _say_nothing(_: str) -> None:
    """Take a line and say nothing."""
