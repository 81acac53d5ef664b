"""Names of features in messages and on sheets: kind and name, and no word twice."""

from __future__ import annotations

import geopandas as gpd
import pytest
from shapely import Point

from tussock.repair.values import _labels


@pytest.mark.parametrize(
    ("kind", "name", "label"),
    [
        ("lake", "Lake Quillan", "Lake Quillan"),
        ("pond", "Mink Pond", "Mink Pond"),
        ("rare_plant", "rare plant 3", "rare plant 3"),
        ("well", "WELL 2", "WELL 2"),
        ("stream", "Sedge Wren Creek", "stream Sedge Wren Creek"),
        ("well", "Wellington yard", "well Wellington yard"),
        ("tree", "Street 4", "tree Street 4"),
        ("pond", "P7", "pond P7"),
        ("", "P7", "water P7"),
        ("étang", "Étang d'Été", "Étang d'Été"),
        ("pond", "", "pond (row 1)"),
    ],
)
def test_a_kind_that_the_name_holds_is_not_said_twice(kind, name, label):
    frame = gpd.GeoDataFrame({"kind": [kind], "name": [name]}, geometry=[Point(0, 0)])
    assert _labels(frame, "water") == [label]
