"""Plans that another program changed on disk: what a desktop GIS or a database tool does to plan.gpkg is found in the file."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from tussock.review.folder import review_folder


@pytest.fixture
def folder(sample_folder: Path, tmp_path: Path) -> Path:
    """A copy of the delivered plan that a test may change."""
    return Path(shutil.copytree(sample_folder, tmp_path / "plan"))


def find_violations(folder):
    """Checks with a violation."""
    table = review_folder(folder, None)
    assert not table["found"].str.contains("could not be done").any(), table.to_string()
    return set(table.loc[table["level"] == "violation", "check"])


def execute(folder, statement):
    """Run one statement on the GeoPackage; it must change a row."""
    with closing(sqlite3.connect(folder / "plan.gpkg")) as database, database:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            database.create_function(name, 1, lambda _: 0)  # the triggers of the format's index name them
        assert database.execute(statement).rowcount > 0


@pytest.mark.parametrize(
    ("statement", "checks"),
    [
        (
            "UPDATE units SET product_id = 'glyphosate-salt-upland' WHERE method = 'low_volume_stream'",
            {"forbidden", "status"},
        ),
        ("UPDATE units SET ae_lb_per_acre = ae_lb_per_acre * 1.01 WHERE method = 'wick'", {"doses"}),
        ("DELETE FROM options WHERE verdict = 'refused' AND rowid % 97 = 0", {"choices"}),
        (
            "UPDATE compliance SET verdict = 'meets the loaded rules as mapped' WHERE verdict LIKE 'within%'",
            {"compliance"},
        ),
        ("UPDATE water SET state = 'dry' WHERE kind = 'pond'", {"setbacks"}),
        ("UPDATE water SET state = NULL, kind = NULL WHERE kind = 'pond'", {"compliance"}),
        ("UPDATE history SET ae_kg_per_ha = 0", {"limits"}),
        ("UPDATE patches SET cost = 0 WHERE status = 'planned'", {"sums"}),
        ("UPDATE setback_zones SET distance_ft = 10 WHERE distance_ft = 100", {"rules"}),
        ("UPDATE season SET likely = likely * 0.9 WHERE item = 'crew time'", {"sums"}),
        ("UPDATE units SET season_from = '' WHERE method = 'wick'", {"dates"}),
    ],
)
def test_a_row_changed_in_the_database_is_found(folder: Path, statement: str, checks: set[str]) -> None:
    execute(folder, statement)
    assert checks | {"hashes"} <= find_violations(folder)


def test_a_column_retyped_as_text_is_a_warning_and_its_words_a_violation(folder: Path) -> None:
    units = pyogrio.read_dataframe(folder / "plan.gpkg", layer="units")
    units["spray_gal"] = units["spray_gal"].astype(str)
    pyogrio.write_dataframe(units, folder / "plan.gpkg", layer="units")
    table = review_folder(folder, None)
    own = table[(table["check"] == "columns") & (table["level"] != "info")]
    assert own["where"].tolist() == ["units, spray_gal"]
    assert own["level"].tolist() == ["warning"]


def test_a_vertex_moved_in_the_map_is_found(folder: Path) -> None:
    units = pyogrio.read_dataframe(folder / "plan.gpkg", layer="units")
    shape = units.geometry.iloc[10]

    def move(xy: np.ndarray) -> np.ndarray:
        moved = xy.copy()
        moved[1] += (0.3048, 0.0)
        return moved

    units.loc[units.index[10], "geometry"] = shapely.transform(shape, move)
    pyogrio.write_dataframe(units, folder / "plan.gpkg", layer="units")
    assert {"tiling", "areas", "hashes"} <= find_violations(folder)


def test_a_layer_saved_in_another_crs_is_found(folder: Path) -> None:
    water = pyogrio.read_dataframe(folder / "plan.gpkg", layer="water").to_crs(4326)
    pyogrio.write_dataframe(water, folder / "plan.gpkg", layer="water")
    assert "crs" in find_violations(folder)


def test_a_plan_saved_again_without_a_change_differs_in_its_hash_alone(folder: Path) -> None:
    units = pyogrio.read_dataframe(folder / "plan.gpkg", layer="units")
    pyogrio.write_dataframe(units, folder / "plan.gpkg", layer="units")
    assert find_violations(folder) == {"hashes"}
