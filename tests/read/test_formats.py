"""The same patches in several formats give the same plan input; columns are found, mapped, or asked for."""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely

import tussock
from site_factory import Sites, feet_box, local_crs

ROWS = [
    {
        "patch_id": f"P{n}",
        "species": "reed",
        "growth_form": "herbaceous",
        "cover_pct": 40.0,
        "geometry": feet_box(n * 200, 0, n * 200 + 90, 90),
    }
    for n in range(3)
]


def read_with(folder, name, write, columns=""):
    """Write the patches under a name and read the site with that file as infestation layer."""
    sites = Sites(folder)
    path = sites.write(ROWS)
    write(gpd.GeoDataFrame(ROWS, geometry="geometry", crs=26915), folder / name)
    text = path.read_text().replace('path = "infestations.gpkg"\n', f'path = "{name}"\n{columns}\n')
    path.write_text(text.replace('[layers.water]\npath = "water.gpkg"', '[layers.water]\npath = "empty.gpkg"'))
    empty = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=26915)
    empty.to_file(folder / "empty.gpkg", geometry_type="Unknown")
    return tussock.read_site(path)


@pytest.mark.parametrize("name", ["a.gpkg", "a.geojson", "a.shp", "a.fgb", "a.gml", "a.kml", "a.gdb", "a.parquet"])
def test_format(tmp_path, name):
    def write(frame, path):
        if path.suffix == ".parquet":
            frame.to_parquet(path)
        elif path.suffix in (".geojson", ".kml"):
            frame.to_crs(4326).to_file(path, driver={".kml": "KML"}.get(path.suffix))
        elif path.suffix == ".gdb":
            frame.to_file(path, driver="OpenFileGDB")
        else:
            # a Shapefile has names of at most 10 letters
            frame.rename(columns={"growth_form": "form"}).to_file(path)

    frame = read_with(tmp_path, name, write).layers["infestations"].frame
    # GML and FlatGeobuf may bring the rows in an order of their own
    assert sorted(frame["patch_id"]) == ["P0", "P1", "P2"]
    assert frame.crs is not None
    expected = gpd.GeoSeries([row["geometry"] for row in ROWS], crs=26915).area.sum()
    assert frame.to_crs(26915).area.sum() == pytest.approx(expected, rel=1e-6)


def test_columns_are_mapped(tmp_path):
    def write(frame, path):
        frame.rename(columns={"patch_id": "ID", "species": "PLANT"}).to_file(path)

    site = read_with(tmp_path, "a.gpkg", write, 'columns = { patch_id = "ID", species = "PLANT" }')
    assert site.layers["infestations"].frame["species"].tolist() == ["reed"] * 3


def test_upper_case_columns_are_found(tmp_path):
    def write(frame, path):
        frame.rename(columns=str.upper).set_geometry("GEOMETRY").to_file(path)

    assert list(read_with(tmp_path, "a.gpkg", write).layers["infestations"].frame["patch_id"]) == ["P0", "P1", "P2"]


def test_mapped_column_that_is_not_there(tmp_path):
    with pytest.raises(tussock.InputError, match=r'columns\.patch_id: found no column "NR"; it has patch_id, species'):
        read_with(tmp_path, "a.gpkg", lambda frame, path: frame.to_file(path), 'columns = { patch_id = "NR" }')


def test_missing_id_column_says_how_to_map_it(tmp_path):
    def write(frame, path):
        frame.rename(columns={"patch_id": "NR"}).to_file(path)

    with pytest.raises(
        tussock.InputError, match=r'column "patch_id": found not there.*columns = \{ patch_id = "\.\.\." \}'
    ):
        read_with(tmp_path, "a.gpkg", write)


def test_file_that_is_no_layer(tmp_path):
    with pytest.raises(tussock.InputError, match=r"a\.gpkg.*cannot be opened"):
        read_with(tmp_path, "a.gpkg", lambda _, path: path.write_text("hello"))


def test_other_columns_ride_along(tmp_path):
    rows = [row | {"crew_note": f"note {n}"} for n, row in enumerate(ROWS)]
    plan = Sites(tmp_path).plan(rows)
    assert plan.patches["crew_note"].tolist() == ["note 0", "note 1", "note 2"]


def test_layers_in_different_crs_meet(tmp_path):
    sites = Sites(tmp_path)
    path = sites.write(
        ROWS, water=[{"kind": "pond", "state": "wet", "geometry": shapely.Point(0, -30).buffer(20)}], crs=local_crs()
    )
    water = gpd.read_file(tmp_path / "water.gpkg").to_crs(4269)  # another datum, in degrees
    water.to_file(tmp_path / "water.gpkg")
    moved = tussock.make_plan(tussock.read_site(path)).patches["nearest_water_ft"]
    same = sites.plan(
        ROWS, water=[{"kind": "pond", "state": "wet", "geometry": shapely.Point(0, -30).buffer(20)}], crs=local_crs()
    )
    assert moved.tolist() == pytest.approx(
        same.patches["nearest_water_ft"].tolist(), abs=1e-2
    )  # to_crs itself is half a millimetre off
