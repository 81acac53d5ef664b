"""Cover as mappers write it, carried to infested area: 2.0 acres, each entry worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

import tussock
from site_factory import Sites, feet_box
from tussock.repair import repair_layers
from tussock.reproject import reproject_layers

SIDE_FT = math.sqrt(2 * 43560)
ENTRIES = {"range": "5-25", "trace": "trace", "class": "1", "percent": "25%", "blank": None}


def measure(folder, entries, site=""):
    rows = [
        {
            "patch_id": name,
            "species": name,
            "growth_form": "shrub",
            "cover_pct": entry,
            "geometry": feet_box(place * 500, 0, place * 500 + SIDE_FT, SIDE_FT),
        }
        for place, (name, entry) in enumerate(entries.items())
    ]
    read = tussock.read_site(Sites(folder).write(rows, site=site))
    repaired = repair_layers(read)
    return reproject_layers(read, repaired).patches, repaired.findings


def acres(patches, name):
    row = patches.loc[name]
    return [row[column] / 4046.8564224 for column in ("infested_low_m2", "infested_m2", "infested_high_m2")]


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measure(tmp_path_factory.mktemp("cover"), ENTRIES)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (
            "range",
            [0.1, 0.3, 0.5],
        ),  # 5 and 25 % of 2 acres; likely the midpoint, 15 % (class 2 of the cover-board table)
        ("trace", [0.0, 0.01, 0.02]),  # below 1 %, midpoint 0.5 %: BLM/NRCS, Sampling Vegetation Attributes, p. 88
        ("percent", [0.5, 0.5, 0.5]),
    ],
)
def test_entry_becomes_infested_area(measured, name, expected):
    assert acres(measured[0], name) == pytest.approx(expected, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize(("name", "what"), [("class", "name the class scheme"), ("blank", "cover is blank")])
def test_unknown_cover_is_neither_nothing_nor_everything(measured, name, what):
    patches, findings = measured
    assert np.isnan(acres(patches, name)).all()
    said = findings[findings["row"] == name]
    assert said["what"].str.contains(what).all()
    assert said["done"].str.contains("not 0, not 100").all()


def test_class_is_read_once_its_scheme_is_named(tmp_path):
    # Daubenmire 1959: class 1 is 0 to 5 %, midpoint 2.5 %
    patches, _ = measure(tmp_path, {"class": "1", "other": "3"}, site='cover_scheme = "daubenmire-1959"')
    assert acres(patches, "class") == pytest.approx([0.0, 0.05, 0.1], rel=1e-5, abs=1e-9)


def test_declared_default_fills_blanks_and_nothing_else(tmp_path):
    patches, _ = measure(tmp_path, {"blank": None, "percent": "25%"}, site='default_cover = "50 %"')
    assert acres(patches, "blank")[1] == pytest.approx(1.0, rel=1e-5)
    assert acres(patches, "percent")[1] == pytest.approx(0.5, rel=1e-5)


def test_unknown_scheme_is_one_clear_error(tmp_path):
    with pytest.raises(tussock.InputError, match=r'cover scheme "nobody-1900".*name one of'):
        measure(tmp_path, {"class": "1"}, site='cover_scheme = "nobody-1900"')


def test_numeric_column_is_percent(tmp_path):
    patches, findings = measure(tmp_path, {"a": 1.0, "b": 40.0})
    assert acres(patches, "a")[1] == pytest.approx(0.02, rel=1e-5)
    assert not pd.Series(findings["what"]).str.contains("refused").any()
