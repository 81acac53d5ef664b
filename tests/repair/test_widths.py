"""A width of 0 of a line is one that nobody measured, unless the site says that it is real."""

from __future__ import annotations

import pytest
import shapely

import tussock
from site_factory import NO_RULES, Sites

RULE = '[[setback]]\nid = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = {}\nsource = "invented"\n'
#: A brook along y = 0, 25 m south of the patch; its default width here is 6 m, so its edge is 22 m off.
BROOK = shapely.LineString([(-500, 0), (500, 0)])
PATCH = {
    "patch_id": "P",
    "species": "x",
    "growth_form": "shrub",
    "cover_pct": 50,
    "geometry": shapely.box(0, 25, 9, 60),
}


def plan_brook(folder, lines, **columns):
    folder.mkdir()
    path = Sites(folder).write(
        [PATCH],
        water=[{"kind": "brook", "geometry": BROOK} | columns],
        rules=NO_RULES + RULE,
        layer_lines={"water": 'default_width = { brook = "6 m" }\n' + lines},
    )
    plan = tussock.make_plan(tussock.read_site(path))
    found = tussock.review_plan(plan.write(folder / "plan"), path)
    assert not (found["level"] == "violation").any(), found[found["level"] == "violation"].to_string()
    return plan


@pytest.mark.parametrize("column", ["width_ft", "width_m"])
def test_zero_is_asked_about_and_the_default_taken(tmp_path, column):
    plan = plan_brook(tmp_path / "site", "", **{column: 0.0})
    assert plan.features["water"]["width_m"].tolist() == [6.0]
    assert plan.units["nearest_water_ft"].iloc[0] == pytest.approx(22 / 0.3048, rel=1e-5)
    asked = plan.findings[plan.findings["what"] == "a width of 0 on 1 line: is it known?"]
    assert asked["level"].tolist() == ["warning"]
    assert 'zero_width = "none"' in asked["done"].iloc[0]
    assert plan.findings["done"].str.contains("check every result near it in the field").any()
    # 22 m is clear of 20 m by less than the width that was guessed
    assert plan.units[["setbacks", "check_in_field"]].to_numpy().tolist() == [["", "A"]]


def test_zero_is_no_width_where_the_site_says_so(tmp_path):
    plan = plan_brook(tmp_path / "site", 'zero_width = "none"', width_ft=0.0)
    assert plan.features["water"]["width_m"].tolist() == [0.0]
    assert plan.units["nearest_water_ft"].iloc[0] == pytest.approx(25 / 0.3048, rel=1e-5)
    assert plan.units["check_in_field"].tolist() == [""]
    assert not plan.findings["what"].str.contains("a width of 0").any()


def test_other_words_for_zero_width_are_refused(tmp_path):
    with pytest.raises(tussock.InputError, match="zero_width"):
        plan_brook(tmp_path / "site", 'zero_width = "maybe"', width_ft=0.0)
