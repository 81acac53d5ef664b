"""In: data and a way to cut. Out: area in each zone, seconds on the clock and of CPU, peak memory. One way a process.

    python benchmarks/methods.py METHOD DATA.pickle [--same-curve]

Every way gets patches and features in memory (the database: loaded and indexed, not timed) and returns pieces with the
zones they lie in. With --same-curve the zones of every feature are drawn beforehand with our outline and handed to all,
so that areas can be compared to 1e-6; without it each way draws its own (round ends of 16 segments a quarter).

DuckDB needs its spatial extension as a package, of the very same version:
``pip install duckdb==1.5.5 duckdb-extension-spatial==1.5.5``.
"""

# ruff: noqa: S603, S607  (the commands are our own)
from __future__ import annotations

import json
import pickle
import resource
import subprocess
import sys
import threading
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from make_data import RECEPTOR_M, WATER_M, Data

sys.path.insert(0, str(Path(__file__).parents[1] / "src"))
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import FeatureGroup, make_group
from tussock.zone.grounds import draw_grounds
from tussock.zone.kernel import cut_blocks
from tussock.zone.rules import SLACK_M

QUAD_SEGS = 16


def make_zones(data: Data) -> list[ZoneSpec]:
    width = np.r_[np.zeros(len(data.lakes)), data.stream_width_m]
    water = gpd.GeoDataFrame(
        {"label": "w", "width_m": width, "width_assumed": False}, geometry=np.r_[data.lakes, data.streams]
    )
    wells = gpd.GeoDataFrame({"label": ["r"] * len(data.wells)}, geometry=data.wells)
    groups = [make_group(frame, np.ones(len(frame), dtype=bool)) for frame in (water, wells)]
    return [
        ZoneSpec(group, group.offset_m + distance + SLACK_M)
        for group, distances in zip(groups, (WATER_M, RECEPTOR_M), strict=True)
        for distance in distances
    ]


def draw_feature_zones(zone: ZoneSpec) -> np.ndarray:
    """Our outline around every whole feature."""
    group: FeatureGroup = zone.group
    run = np.arange(len(group.runs))
    grounds, keys = draw_grounds(
        group, group.run_owner, run, zone.reach_m[group.run_owner], group.cell_owner, np.arange(len(group.cells))
    )
    if not (keys == np.arange(len(group))).all():
        raise RuntimeError("a feature without ground")
    return grounds


def find_features(data: Data) -> list[tuple[np.ndarray, np.ndarray]]:
    """Features and radius of each zone."""
    water = np.r_[data.lakes, data.streams]
    half = np.r_[np.zeros(len(data.lakes)), data.stream_width_m / 2]
    zones = [(water, half + distance) for distance in WATER_M]
    return zones + [(data.wells, np.full(len(data.wells), distance)) for distance in RECEPTOR_M]


def ours(data: Data, _drawn, threads: int = 2):
    pieces = cut_blocks(data.patches, make_zones(data), threads=threads)
    return pieces.geometry, pieces.inside


def buffers_of(data: Data, drawn) -> list[np.ndarray]:
    if drawn is not None:
        return drawn
    return [shapely.buffer(shape, radius, quad_segs=QUAD_SEGS) for shape, radius in find_features(data)]


def dissolved(data: Data, drawn):
    """Buffer everything, dissolve, overlay."""
    frame = gpd.GeoDataFrame(geometry=data.patches)
    for place, buffers in enumerate(buffers_of(data, drawn)):
        zone = gpd.GeoDataFrame({f"z{place}": [True]}, geometry=[gpd.GeoSeries(buffers).union_all()])
        frame = gpd.overlay(frame, zone, how="identity", keep_geom_type=True)
    return as_result(frame)


def overlaid(data: Data, drawn):
    """Overlay with the buffers as they are; what lies in several is dissolved by piece."""
    frame = gpd.GeoDataFrame(geometry=data.patches)
    for place, buffers in enumerate(buffers_of(data, drawn)):
        zone = gpd.GeoDataFrame(geometry=buffers)
        frame["piece"] = np.arange(len(frame))
        inner = gpd.overlay(frame, zone, how="intersection", keep_geom_type=True)
        inner = inner.dissolve(by="piece", as_index=False)
        inner[f"z{place}"] = True
        outer = gpd.overlay(frame, zone, how="difference", keep_geom_type=True)
        frame = pd.concat([inner, outer], ignore_index=True)
    return as_result(frame)


def as_result(frame):
    inside = np.column_stack([frame[f"z{place}"].eq(True).to_numpy() for place in range(5)])
    return np.asarray(frame.geometry.array), inside


PG = Path("/usr/lib/postgresql/15/bin")


def postgis(data: Data, drawn):
    """PostGIS: features subdivided to 64 vertices, each patch cut by the union of buffers of its own near chunks."""
    folder = Path(sys.argv[2]).with_suffix(".pg")
    start_postgres(folder)
    try:
        rows = [f"{k},{shapely.to_wkb(g, hex=True)}" for k, g in enumerate(data.patches)]
        copy_in(folder, "patch(id int, geom geometry)", rows)
        for place, (shape, radius) in enumerate(find_features(data)):
            ground = shape if drawn is None else drawn[place]
            reach = radius if drawn is None else np.zeros(len(shape))
            rows = [f"{r!r},{shapely.to_wkb(g, hex=True)}" for g, r in zip(ground, reach.tolist(), strict=True)]
            copy_in(folder, f"raw{place}(r float8, geom geometry)", rows)
        sql(folder, "vacuum analyze")
        cpu, begin = postgres_cpu(folder), time.perf_counter()
        sql(folder, "; ".join(cutting_sql(place) for place in range(5)))
        wall = time.perf_counter() - begin
        spent = wall, postgres_cpu(folder) - cpu
        flags = ", ".join(f"z{k}" for k in range(5))
        text = sql(folder, f"select {flags}, sum(st_area(geom)), count(*) from p5 group by {flags}")
        return parse_areas(text), spent
    finally:
        subprocess.run(
            as_postgres(PG / "pg_ctl", "-D", folder / "db", "-m", "immediate", "stop"), check=False, capture_output=True
        )


def cutting_sql(place: int) -> str:
    source = "patch" if place == 0 else f"p{place}"
    flags = "".join(f"s.z{k}, " for k in range(place))
    return f"""
    create unlogged table c{place} as select r, st_subdivide(geom, 64) geom from raw{place};
    create index on c{place} using gist (geom); analyze c{place};
    create unlogged table p{place + 1} as
      with near as materialized (
        select s.id, s.geom, {flags} (select st_union(st_buffer(c.geom, c.r, 'quad_segs={QUAD_SEGS}')) from c{place} c
          where c.geom && st_expand(s.geom, (select max(r) from raw{place})) and st_dwithin(c.geom, s.geom, c.r)) u
        from {source} s)
      select id, {flags.replace("s.", "")} true z{place}, st_intersection(geom, u) geom from near where u is not null
      union all select id, {flags.replace("s.", "")} false,
        case when u is null then geom else st_difference(geom, u) end from near;
    delete from p{place + 1} where st_isempty(geom) or st_dimension(geom) < 2"""


def as_postgres(*command) -> list[str]:
    return ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", *map(str, command)]


def start_postgres(folder: Path) -> None:
    subprocess.run(["rm", "-rf", folder], check=True)
    folder.mkdir()
    subprocess.run(["chown", "postgres", folder], check=True)
    subprocess.run(as_postgres(PG / "initdb", "-D", folder / "db", "-A", "trust"), check=True, capture_output=True)
    options = f"-k {folder} -c listen_addresses='' -c shared_buffers=2GB -c work_mem=256MB -c fsync=off"
    options += " -c max_wal_size=8GB -c jit=off"
    subprocess.run(
        as_postgres(PG / "pg_ctl", "-D", folder / "db", "-o", options, "-w", "-l", folder / "log", "start"),
        check=True,
        capture_output=True,
    )
    sql(folder, "create extension postgis")


def sql(folder: Path, text: str, stdin: str | None = None) -> str:
    command = as_postgres("psql", "-h", folder, "-d", "postgres", "-v", "ON_ERROR_STOP=1", "-qtA", "-c", text)
    done = subprocess.run(command, input=stdin, text=True, capture_output=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr)
    return done.stdout


def copy_in(folder: Path, table: str, rows: list[str]) -> None:
    sql(folder, f"create unlogged table {table}")
    sql(folder, f"copy {table.split('(', maxsplit=1)[0]} from stdin csv", "\n".join(rows) + "\n")


def postgres_cpu(folder: Path) -> float:
    """Seconds of CPU of the server with all its children, ended ones too."""
    time.sleep(0.5)  # ended children are counted once the server has noticed
    server = int((folder / "db" / "postmaster.pid").read_text().split()[0])
    fields = Path(f"/proc/{server}/stat").read_text().rsplit(")", 1)[1].split()
    return sum(int(fields[k]) for k in (11, 12, 13, 14)) / 100


#: Grids that features of over 64 vertices are cut by, one after the other [m]: DuckDB has no subdivision of its own.
GRIDS_M = (2000.0, 400.0, 100.0)


def duckdb(data: Data, drawn):
    """DuckDB: features cut by finer and finer grids, each patch by the union of buffers of its own near chunks."""
    import duckdb
    import duckdb_extension_spatial

    base = duckdb.connect(config={"threads": 2})
    extension = next(Path(duckdb_extension_spatial.__file__).parent.rglob("spatial.duckdb_extension"))
    base.execute(f"load '{extension}'")
    wkb = pd.DataFrame({"id": np.arange(len(data.patches)), "wkb": list(shapely.to_wkb(data.patches))})  # noqa: F841  (named in the SQL)
    base.execute("create table p0 as select id, st_geomfromwkb(wkb) geom from wkb")
    for place, (shape, radius) in enumerate(find_features(data)):
        ground = shape if drawn is None else drawn[place]
        raw = pd.DataFrame({"r": np.asarray(radius, dtype=float), "wkb": list(shapely.to_wkb(ground))})  # noqa: F841
        base.execute(f"create table raw{place} as select r, st_geomfromwkb(wkb) geom from raw")
    begin, cpu = time.perf_counter(), time.process_time()
    for place in range(5):
        base.execute(duckdb_sql(place, buffered=drawn is None))
    spent = time.perf_counter() - begin, time.process_time() - cpu
    flags = ", ".join(f"z{k}" for k in range(5))
    rows = base.execute(f"select {flags}, sum(st_area(geom)), count(*) from p5 group by {flags}").fetchall()
    areas = np.sum([np.array(row[:5], dtype=float) * row[5] for row in rows], axis=0)
    return (areas.tolist(), float(sum(row[5] for row in rows)), sum(row[6] for row in rows)), spent


def duckdb_sql(place: int, *, buffered: bool) -> str:
    flags = "".join(f"s.z{k}, " for k in range(place))
    steps = [f"create table c0_{place} as select r, geom from raw{place}"]
    for level, size in enumerate(GRIDS_M):
        tiles = "range(floor(st_{0}min(geom) / {1})::bigint, floor(st_{0}max(geom) / {1})::bigint + 1)"
        steps.append(f"""
        create table c{level + 1}_{place} as
          select r, geom from c{level}_{place} where st_npoints(geom) <= 64
          union all
          select r, piece geom from (
            select r, st_intersection(geom, st_makeenvelope(x, y, x + {size}, y + {size})) piece
            from (select r, geom, x, {size} * unnest({tiles.format("y", size)}) y
              from (select r, geom, {size} * unnest({tiles.format("x", size)}) x
                from c{level}_{place} where st_npoints(geom) > 64)))
          where not st_isempty(piece)""")
    zone = f"st_buffer(geom, r, {QUAD_SEGS})" if buffered else "geom"
    steps.append(f"create table zone{place} as select {zone} geom from c{len(GRIDS_M)}_{place}")
    steps.append(f"""
    create table near{place} as select s.rowid piece, st_union_agg(z.geom) u
      from p{place} s join zone{place} z on st_intersects(s.geom, z.geom) group by s.rowid""")
    steps.append(f"""
    create table p{place + 1} as select * from (
      select id, {flags} true z{place}, st_intersection(s.geom, n.u) geom
        from p{place} s join near{place} n on s.rowid = n.piece
      union all
      select id, {flags} false, case when n.u is null then s.geom else st_difference(s.geom, n.u) end
        from p{place} s left join near{place} n on s.rowid = n.piece)
      where st_area(geom) > 0""")
    return "; ".join(steps)


def parse_areas(text: str):
    areas, count = np.zeros(5), 0
    total = 0.0
    for line in text.strip().splitlines():
        *flags, area, rows = line.split("|")
        areas += np.array([flag == "t" for flag in flags]) * float(area)
        total += float(area)
        count += int(rows)
    return areas.tolist(), total, count


METHODS = {"ours": ours, "dissolved": dissolved, "overlaid": overlaid, "postgis": postgis, "duckdb": duckdb}


def main() -> None:
    method, path = sys.argv[1], Path(sys.argv[2])
    data = pickle.loads(path.read_bytes())  # noqa: S301  (written by run.py)
    drawn = [draw_feature_zones(zone) for zone in make_zones(data)] if "--same-curve" in sys.argv else None
    peak = watch_memory()
    begin, cpu = time.perf_counter(), time.process_time()
    result = METHODS[method](data, drawn)
    spent = time.perf_counter() - begin, time.process_time() - cpu
    if method in ("postgis", "duckdb"):
        (areas, total, count), spent = result
    else:
        geometry, inside = result
        area = shapely.area(geometry)
        areas, total, count = (area @ inside).tolist(), float(area.sum()), len(area)
    facts = {"method": method, "patches": len(data.patches), "wall_s": spent[0], "cpu_s": spent[1], "pieces": count}
    facts |= {"peak_mib": peak(), "areas_m2": areas, "total_m2": total}
    print(json.dumps(facts))


def watch_memory():
    """Return a function that tells the peak of memory since now [MiB]: own, or of all processes of the server."""
    if sys.argv[1] != "postgis":
        return lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    top = [0.0]

    def look() -> None:
        while True:
            pss = 0
            for folder in Path("/proc").iterdir():
                try:
                    if folder.name.isdigit() and (folder / "comm").read_text().strip() == "postgres":
                        text = (folder / "smaps_rollup").read_text()
                        pss += next(int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:"))
                except (OSError, StopIteration):
                    continue
            top[0] = max(top[0], pss / 1024)
            time.sleep(0.5)

    threading.Thread(target=look, daemon=True).start()
    return lambda: top[0]


if __name__ == "__main__":
    main()
