"""Partitions give what a single run gives, bit by bit, one after another and on a cluster that loses a worker."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time

import geopandas as gpd
import numpy as np
import pytest
import shapely

from memory_site import star
from tussock.base.errors import MissingExtraError
from tussock.zone import partitions
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import make_group
from tussock.zone.kernel import cut_blocks
from tussock.zone.partitions import LayerFile, ZoneFile, cut_files
from tussock.zone.rules import SLACK_M

DISTANCES = (5.0, 15.0, 30.0)
CRS = "EPSG:32616"
ORIGIN = np.array([400_000.0, 5_000_000.0])


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Patches along a long lake and streams, all over one another's partitions."""
    folder = tmp_path_factory.mktemp("layers")
    rng = np.random.default_rng(11)
    along = np.linspace(0, 6000, 900)
    shore = np.column_stack([along, 40 * np.sin(along / 150) + 8 * np.sin(along / 31)])
    lake = shapely.Polygon(np.concatenate([shore, shore[::-1] - [0, 60]]) + ORIGIN)
    streams = [
        shapely.LineString(np.cumsum(rng.uniform([-9, 4], [9, 14], (40, 2)), axis=0) + ORIGIN + [x, 60])
        for x in range(0, 6000, 400)
    ]
    water = gpd.GeoDataFrame({"width": [0.0] + [4.0] * len(streams)}, geometry=[lake, *streams], crs=CRS)
    centre = ORIGIN + np.column_stack([rng.uniform(0, 6000, 400), rng.uniform(-40, 120, 400)])
    shapes = [shapely.Polygon(star(rng, *xy, rng.uniform(5, 40), 14)) for xy in centre]
    patches = gpd.GeoDataFrame({"name": range(400)}, geometry=shapes, crs=CRS)
    water.to_file(folder / "water.gpkg")
    patches.to_file(folder / "patches.gpkg")
    return (
        LayerFile(str(folder / "patches.gpkg")),
        [ZoneFile(LayerFile(str(folder / "water.gpkg"), width_column="width"), DISTANCES)],
        patches,
        water,
    )


def read_pieces(paths):
    """Rows of all parts as a set of plain values: geometry bit by bit, zones, patch."""
    rows = []
    for path in paths:
        frame = gpd.read_file(path)
        rows += zip(
            frame["patch"], frame["zones"], shapely.to_wkb(shapely.normalize(frame.geometry.array)), strict=True
        )
    return sorted(rows)


def single_run(patches, water):
    # around an origin of whole metres, as the partitions are; see `zone.origin`
    origin = np.round(patches.total_bounds.reshape(2, 2).mean(axis=0), -3)
    patches, water = (
        frame.set_geometry(shapely.transform(frame.geometry.array, lambda xy: xy - origin))
        for frame in (patches, water)
    )
    frame = water.assign(label="w", width_m=water["width"], width_assumed=False)
    group = make_group(frame, np.ones(len(frame), dtype=bool))
    zones = [ZoneSpec(group, group.offset_m + distance + SLACK_M) for distance in DISTANCES]
    pieces = cut_blocks(np.asarray(patches.geometry.array, dtype=object), zones)
    moved = shapely.transform(pieces.geometry, lambda xy: xy + origin)
    parts, index = shapely.get_parts(moved, return_index=True)
    shapes = shapely.normalize(shapely.multipolygons(parts, indices=index))
    zones_text = ["".join("01"[int(held)] for held in row) for row in pieces.inside.tolist()]
    return sorted(zip((pieces.patch + 1).tolist(), zones_text, shapely.to_wkb(shapes), strict=True))


@pytest.mark.parametrize("size", [1000, 150, 37])
def test_partitions_give_the_single_run(files, tmp_path, size):
    patches, zones, patch_frame, water_frame = files
    told = []
    found = read_pieces(cut_files(patches, zones, tmp_path, size=size, tell=told.append))
    assert found == single_run(patch_frame, water_frame)
    assert len(told) == -(-400 // size)
    assert {patch for patch, _, _ in found} == set(range(1, 401))


def test_every_patch_is_cut_once(files, tmp_path):
    patches, zones, _, _ = files
    jobs = partitions.split_jobs(patches, zones, tmp_path, 37, 0.0)
    fids = [fid for job in jobs for fid in job.fids]
    assert len(fids) == len(set(fids)) == 400


def test_a_half_written_part_is_never_taken(files, tmp_path, monkeypatch):
    patches, zones, _, _ = files

    def break_off(self, path, **options):
        path.write_bytes(b"half")
        raise OSError("disk full")

    monkeypatch.setattr(gpd.GeoDataFrame, "to_file", break_off)
    with pytest.raises(OSError, match="disk full"):
        cut_files(patches, zones, tmp_path)
    assert not list(tmp_path.glob("part-*"))


def test_a_scheduler_without_dask_says_what_to_install(files, tmp_path, monkeypatch):
    patches, zones, _, _ = files
    monkeypatch.setitem(sys.modules, "dask.distributed", None)
    with pytest.raises(MissingExtraError, match=r"tussock\[dask\]"):
        cut_files(patches, zones, tmp_path, scheduler="tcp://127.0.0.1:1")


def kill_once_busy(pid, folder):
    """End a worker once the first parts are there; the exit code is how many there were."""
    for _ in range(5000):
        parts = len(list(folder.glob("part-*")))
        if parts:
            os.kill(pid, signal.SIGKILL)
            sys.exit(parts)
        time.sleep(0.01)
    sys.exit(0)


@pytest.mark.filterwarnings("ignore")  # a cluster that loses a worker warns in many words
def test_a_cluster_of_two_workers_loses_one_in_the_middle(files, tmp_path):
    distributed = pytest.importorskip("dask.distributed")
    patches, zones, patch_frame, water_frame = files
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True) as cluster:
        worker = next(iter(cluster.workers.values()))
        killer = multiprocessing.get_context("fork").Process(target=kill_once_busy, args=(worker.pid, tmp_path))
        killer.start()
        found = read_pieces(cut_files(patches, zones, tmp_path, size=10, scheduler=cluster.scheduler_address))
        killer.join()
        assert 0 < killer.exitcode < len(list(tmp_path.glob("part-*"))) == 40  # in the middle
    assert found == single_run(patch_frame, water_frame)
