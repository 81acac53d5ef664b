"""A rule is worded in one place, and completely: every key that narrows it stands in the words. Expectations by hand."""

from __future__ import annotations

import geopandas as gpd
import pytest

from site_factory import NO_RULES, Sites, feet_box
from tussock.base.records import Combination, Setback
from tussock.wording.rules import describe_ban, describe_effect, describe_forbidden, describe_season, describe_work

KEYS = {
    "every herbicide": {},
    "broadcast or hand methods": {"delivery": ["broadcast", "hand"]},
    "low volume stream or mowing": {"method": ["low_volume_stream", "mow"]},
    "imazapyr or 2,4-d": {"active": ["imazapyr", "2,4-D"]},
    "ester": {"form": "ester"},
    "products without an aquatic label": {"aquatic_label": False},
    "products with an aquatic label": {"aquatic_label": True},
    "soil-active products": {"soil_active": True},
    "products that are not soil-active": {"soil_active": False},
    "soil-active imazapyr salt with an aquatic label by spot": {
        "delivery": "spot",
        "active": "imazapyr",
        "form": "salt",
        "aquatic_label": True,
        "soil_active": True,
    },
}


@pytest.mark.parametrize(("words", "keys"), KEYS.items())
def test_every_key_of_a_combination_is_worded(words, keys):
    combination = Combination.model_validate(keys)
    assert describe_work(combination) == words
    assert describe_ban(combination) == ("No herbicide" if not keys else f"No {words}")


def test_a_rule_is_worded_with_its_survey_and_its_season():
    rule = {"id": "A", "distance": "anywhere", "source": "invented", "forbids": {"soil_active": True}}
    rule |= {"unless_surveyed": True, "season": ["04-15", "07-31"]}
    setback = Setback.model_validate(rule)
    assert describe_forbidden(setback) == "soil-active products, unless a survey lifts it"
    assert describe_effect(setback) == "forbids soil-active products, unless a survey lifts it"
    assert describe_season(setback) == "in force 15 Apr to 31 Jul"
    permit = Setback.model_validate(
        {"id": "B", "distance": "anywhere", "source": "invented", "permit": "County office"}
    )
    assert describe_effect(permit) == "permit: County office"
    assert describe_forbidden(permit) == ""


def test_map_sheet_report_and_table_word_a_rule_alike(tmp_path):
    """A rule on soil-active products that a survey lifts was "every herbicide" on the map and "No herbicide" on paper."""
    pypdf = pytest.importorskip("pypdf")
    rules = NO_RULES + (
        '[[setback]]\nid = "ROOTS"\nfrom = { layer = "water" }\ndistance = "60 ft"\nforbids = { soil_active = true }\n'
        'unless_surveyed = true\nsource = "invented"\n'
    )
    patch = {"patch_id": "A", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
    patches = [patch | {"geometry": feet_box(0, 20, 200, 120)}]
    water = [{"kind": "pond", "state": "wet", "geometry": feet_box(0, -100, 200, 0)}]
    mow = '[[treatment]]\nid = "mow"\nspecies = ["reed"]\nmethod = "mow"\npreference = 1\n'
    folder = Sites(tmp_path).plan(patches, water=water, rules=rules, treatments=mow).write(tmp_path / "plan")
    words = "soil-active products, unless a survey lifts it"
    assert gpd.read_file(folder / "plan.gpkg", layer="setback_zones")["forbids"].tolist() == [words]
    pages = {name: (folder / name).read_text(encoding="utf-8") for name in ("map.html", "compliance.html")}
    for name in ("crew_sheets.pdf", "compliance.pdf"):
        reader = pypdf.PdfReader(folder / name)
        pages[name] = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for name, text in pages.items():
        said = f"No {words}" if name == "crew_sheets.pdf" else f"forbids {words}"
        assert said in text, name
        assert "every herbicide" not in text, name
        assert "No herbicide," not in text, name
