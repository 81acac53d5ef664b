"""A whole site planned in parts is the plan of a single run, bit by bit: here and on a cluster that loses a worker."""

from __future__ import annotations

import os
import signal

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from pandas.testing import assert_frame_equal

import tussock
from memory_site import make_site, star, zone
from site_factory import local_crs
from tussock.base.errors import InputError
from tussock.base.stages import Cell
from tussock.cli import tussock as command
from tussock.repair import repair_layers
from tussock.reproject import reproject_layers
from tussock.zone import parts, patches, zone_patches
from tussock.zone.units import Part

RULES = [
    {"id": "W-15", "from": {"layer": "water"}, "distance": "15 m", "forbids": {"aquatic_label": False}},
    {"id": "POND-40", "from": {"layer": "water", "kind": ["pond"]}, "distance": "40 m", "forbids": {}},
    {"id": "WELL", "from": {"layer": "receptors", "kind": ["well"]}, "distance": "50 m", "forbids": {}},
    # the two schools lie kilometres off: nearest features must be found however far
    {"id": "SCHOOL", "from": {"layer": "receptors", "kind": ["school"]}, "distance": "30 m", "forbids": {}},
    {
        "id": "TREE",
        "from": {"layer": "receptors", "kind": ["tree"]},
        "distance": {"column": "height_m", "times": 1.0},
        "forbids": {},
    },
    {"id": "ALL", "distance": "anywhere", "forbids": {"method": ["boom"]}},
]


def make_wide_site(seed=5, count=160):
    """Patches on one another along streams and ponds, some drawn twice; wells drawn twice; trees of any height."""
    rng = np.random.default_rng(seed)
    crs = local_crs()
    at = rng.uniform(0, 2500, (count, 2)) * [1, 0.25]
    shapes = [shapely.Polygon(star(rng, *xy, rng.uniform(6, 60), 13)) for xy in at]
    streams = [
        shapely.LineString(np.cumsum(rng.uniform([-9, 4], [9, 14], (60, 2)), axis=0) + [x, 0])
        for x in range(0, 2500, 170)
    ]
    ponds = [shapely.Polygon(star(rng, *xy, 50, 30)) for xy in rng.uniform(0, 2500, (20, 2)) * [1, 0.25]]
    ponds += ponds[:4]
    wells = list(shapely.points(rng.uniform(0, 2500, (30, 2)) * [1, 0.25]))
    trees = list(shapely.points(rng.uniform(0, 2500, (40, 2)) * [1, 0.25]))
    schools = [shapely.box(9000, 3000, 9040, 3050), shapely.Point(-4000, -2500)]
    water = gpd.GeoDataFrame(
        {
            "kind": ["stream"] * len(streams) + ["pond"] * len(ponds),
            "state": ["wet", "dry", "unknown"] * 13,
            "width_m": np.r_[rng.uniform(1, 8, len(streams)), np.zeros(len(ponds))],
        },
        geometry=streams + ponds,
        crs=crs,
    )
    receptors = gpd.GeoDataFrame(
        {
            "kind": ["well"] * 36 + ["tree"] * 40 + ["school"] * 2,
            "name": [f"R{k}" for k in range(78)],
            "height_m": np.r_[np.zeros(36), rng.uniform(3, 30, 40), 0, 0],
        },
        geometry=wells + wells[:6] + trees + schools,
        crs=crs,
    )
    frame = gpd.GeoDataFrame(
        {"species": rng.choice(["reed", "cane"], count), "growth_form": "shrub"}, geometry=shapes, crs=crs
    )
    return make_site(frame, water=water, receptors=receptors, setbacks=RULES, accuracy_m=2.0)


def check_equal(found, wanted, name):
    """Frames alike, row by row and bit by bit; geometries byte by byte."""
    assert list(found.columns) == list(wanted.columns), name
    shapes = [column for column in wanted.columns if column == "geometry"]
    for column in shapes:
        assert (shapely.to_wkb(found[column].array) == shapely.to_wkb(wanted[column].array)).all(), name
    plain = [pd.DataFrame(frame.drop(columns=shapes)) for frame in (found, wanted)]
    assert_frame_equal(*plain, check_exact=True, obj=name)


def check_zoned(found, wanted):
    for name in ("units", "patches", "nearness", "zones", "findings"):
        check_equal(getattr(found, name), getattr(wanted, name), name)


def check_plans(found, wanted):
    names = ("patches", "units", "options", "setback_zones", "compliance", "product_budget", "season", "findings")
    for name in names:
        check_equal(getattr(found, name), getattr(wanted, name), name)


@pytest.fixture(scope="module")
def wide():
    site = make_wide_site()
    repaired = repair_layers(site)
    measured = reproject_layers(site, repaired)
    return site, repaired, measured, zone_patches(site, repaired, measured)


@pytest.mark.parametrize("size", [1, 7, 50, 159])
def test_parts_give_the_single_run(wide, size):
    site, repaired, measured, single = wide
    assert len(repaired.overlaps) > 20
    assert single.units["setbacks"].nunique() > 8
    told = []
    found = zone_patches(site, repaired, measured, partition_size=size, tell=told.append)
    check_zoned(found, single)
    assert told[-1] == f"part {-(-160 // size)} of {-(-160 // size)} is cut"


def test_a_part_holds_its_patches_and_what_lies_near_them(wide):
    site, repaired, measured, _ = wide
    (cell,) = measured.cells
    whole = patches._make_whole(site, repaired, measured, cell)
    made = list(parts.split_part(whole, 10))
    ids = [name for part in made for name in part.cell.patches.index]
    assert sorted(ids) == sorted(cell.patches.index)  # on an edge or not: each once
    assert len(made) == 16
    water = [len(part.cell.water) for part in made]
    assert max(water) < len(cell.water)
    assert np.mean(water) < 0.6 * len(cell.water)
    # what is there is whole
    for part in made:
        assert part.cell.water.geometry.geom_equals(cell.water.geometry.loc[part.cell.water.index]).all()


def test_the_order_of_parts_does_not_matter(wide, monkeypatch):
    site, repaired, measured, single = wide
    monkeypatch.setattr(patches, "split_part", lambda whole, size: reversed(list(parts.split_part(whole, size))))
    check_zoned(zone_patches(site, repaired, measured, partition_size=33), single)


def test_a_wide_site_in_cells_and_parts():
    """Two clusters 900 km apart are worked in cells of their own, and each cell in parts."""
    rng = np.random.default_rng(3)
    at = np.concatenate([rng.uniform(0, 300, (12, 2)), rng.uniform(0, 300, (12, 2)) + [900_000, 0]])
    frame = gpd.GeoDataFrame(
        {"species": "reed", "growth_form": "shrub", "geometry": [shapely.Polygon(star(rng, *xy, 30, 12)) for xy in at]},
        crs=local_crs(),
    )
    pond = [shapely.box(100, 100, 200, 130), shapely.box(900_100, 100, 900_200, 130)]
    water = gpd.GeoDataFrame({"kind": "pond", "state": "wet", "geometry": pond}, crs=local_crs())
    site = make_site(frame, water=water, setbacks=RULES[:2])
    measured, single = zone(site)
    assert len(measured.cells) > 1
    check_zoned(zone_patches(site, repair_layers(site), measured, partition_size=5), single)


def test_a_plan_in_parts_is_the_plan():
    """The sample site: earlier applications, standing places, throws, shared ground, every kind of rule."""
    site = tussock.read_site(tussock.sample_path())
    wanted = tussock.make_plan(site)
    assert wanted.units["reason"].str.contains("reach").any()
    check_plans(tussock.make_plan(site, partition_size=9), wanted)


def test_rows_of_large_sites_are_left_out_alike(wide, monkeypatch):
    site, repaired, measured, single = wide
    rows = len(single.nearness)
    for most in (len(measured.patches) * len(RULES), 100):  # found too many when joined, and known beforehand
        monkeypatch.setattr(patches, "MOST_ROWS", most)
        few = zone_patches(site, repaired, measured)
        assert len(few.nearness) < rows
        check_zoned(zone_patches(site, repaired, measured, partition_size=23), few)


def test_a_fault_in_a_column_names_every_row_once(wide):
    site, repaired, measured, _ = wide
    (cell,) = measured.cells
    receptors = cell.receptors.copy()
    receptors.loc[receptors.index[40:43], "height_m"] = np.nan
    broken = Cell(**(cell.__dict__ | {"receptors": receptors}))
    measured = type(measured)(**(measured.__dict__ | {"cells": (broken,)}))
    with pytest.raises(InputError, match="give every such feature the figure") as caught:
        zone_patches(site, repaired, measured, partition_size=10)
    assert len(caught.value.faults) == 3


def test_a_partition_size_of_nothing_is_refused(wide):
    site, repaired, measured, _ = wide
    with pytest.raises(InputError, match="partition size: 0: found no positive number"):
        zone_patches(site, repaired, measured, partition_size=0)


def test_a_scheduler_that_is_not_there_is_refused(wide, monkeypatch):
    pytest.importorskip("dask.distributed")
    site, repaired, measured, _ = wide
    monkeypatch.setattr("tussock.zone.cluster._CONNECT_S", 0.5)
    with pytest.raises(InputError, match="no dask scheduler that answers"):
        zone_patches(site, repaired, measured, scheduler="tcp://127.0.0.1:9")
    with pytest.raises(InputError, match="no dask scheduler that answers"):
        zone_patches(site, repaired, measured, scheduler="somewhere")


@pytest.mark.filterwarnings("ignore")  # a cluster that loses a worker warns in many words
def test_a_plan_on_two_workers_survives_the_loss_of_one(wide):
    distributed = pytest.importorskip("dask.distributed")
    sample = tussock.read_site(tussock.sample_path())
    wanted = tussock.make_plan(sample)
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True) as cluster:
        workers = list(cluster.workers.values())
        lost = []

        def kill_in_the_middle(line):
            if line == "part 3 of 27 is cut":
                os.kill(workers[0].pid, signal.SIGKILL)
                lost.append(line)

        address = cluster.scheduler_address
        found = tussock.make_plan(sample, kill_in_the_middle, partition_size=2, scheduler=address)
        assert lost
        check_plans(found, wanted)
        site, repaired, measured, single = wide
        check_zoned(zone_patches(site, repaired, measured, partition_size=30, scheduler=address), single)


def test_a_worker_of_another_version_is_refused(wide, monkeypatch):
    distributed = pytest.importorskip("dask.distributed")
    site, repaired, measured, _ = wide
    (cell,) = measured.cells
    whole = patches._make_whole(site, repaired, measured, cell)
    assert isinstance(whole, Part)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, processes=True
    ) as cluster:  # the worker is a process of its own, started before this one says it is of another version
        monkeypatch.setattr(tussock, "__version__", "9.9")
        with pytest.raises(InputError, match=r"install the same versions on the workers"):
            zone_patches(site, repaired, measured, scheduler=cluster.scheduler_address)


def test_the_command_writes_the_same_bytes_in_parts(tmp_path):
    site = str(tussock.sample_path("small"))
    for name, options in (("whole", []), ("parts", ["--partition-size", "1"])):
        done = CliRunner().invoke(command, ["plan", site, "--out", str(tmp_path / name), *options])
        assert done.exit_code == 0, done.output
    assert "part 3 of 3 is cut" in done.output
    files = sorted(path.name for path in (tmp_path / "whole").iterdir())
    assert len(files) > 10
    for name in files:
        assert (tmp_path / "parts" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes(), name


def test_the_command_refuses_a_size_of_nothing(tmp_path):
    done = CliRunner().invoke(command, ["plan", "site.toml", "--out", str(tmp_path / "out"), "--partition-size", "0"])
    assert done.exit_code == 2
    assert "--partition-size" in done.output
