"""Packaged rule sets: each one is a valid rule set and says what its document says."""

from __future__ import annotations

import pytest

from tussock.base.errors import MissingInputError
from tussock.base.records import Combination, Ruleset
from tussock.base.units import FOOT_M
from tussock.trade import rulesets


def read(name: str) -> Ruleset:
    return Ruleset.model_validate(rulesets.read_packaged(name))


@pytest.mark.parametrize("name", rulesets.packaged_names())
def test_packaged_set_is_valid_and_sourced(name):
    ruleset = read(name)
    assert ruleset.ruleset.source
    assert ruleset.setback
    assert all(row.source.strip() for row in (*ruleset.setback, *ruleset.listed))
    ids = [setback.id for setback in ruleset.setback]
    assert len(set(ids)) == len(ids)


def test_ids_differ_over_all_sets():
    ids = [setback.id for name in rulesets.packaged_names() for setback in read(name).setback]
    assert len(set(ids)) == len(ids)


def test_only_the_table_read_in_full_is_checked():
    checked = [name for name in rulesets.packaged_names() if read(name).ruleset.status == "checked"]
    assert checked == ["usfs-siuslaw-a1"]


def test_names():
    assert rulesets.packaged_names() == [
        "me-ch29", "nh-pes1001", "ny-663", "tree-root", "uk-lerap", "usfs-siuslaw-a1", "wps-aez",
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["USFS-SIUSLAW-A1", "usfs-siuslaw-a1.toml", " Usfs-Siuslaw-A1.TOML "])
def test_name_in_any_case_with_or_without_ending(name):
    assert rulesets.read_packaged(name) == rulesets.read_packaged("usfs-siuslaw-a1")


def test_each_read_is_a_new_dict():
    rulesets.read_packaged("ny-663")["setback"].clear()
    assert rulesets.read_packaged("ny-663")["setback"]


@pytest.mark.parametrize("name", ["nowhere", "../cover_schemes", ""])
def test_unknown_set_lists_those_that_ship(name):
    with pytest.raises(MissingInputError, match="no such set; name one of me-ch29"):
        rulesets.read_packaged(name)


def rows(name):
    return {
        setback.id: (setback.distance if isinstance(setback.distance, str) else setback.distance_m, setback.effect)
        for setback in read(name).setback
    }


def test_maine():
    # Maine Code of Rules 01-026 chapter 29, sections 1 and 6: broadcast 25 ft, mixing 50 ft
    assert rows("me-ch29") == {
        "ME29-BROADCAST-25": (pytest.approx(7.62), "forbids"),
        "ME29-MIXING-50": (pytest.approx(15.24), "no_mixing"),
    }
    broadcast = read("me-ch29").setback[0]
    assert broadcast.forbids.delivery == ("broadcast",)
    assert broadcast.datum == "mean high water mark"


def test_new_hampshire():
    # New Hampshire Code of Administrative Rules Pes 1001.01-.02: 25 ft, any herbicide by any method, any surface water
    (setback,) = read("nh-pes1001").setback
    assert setback.distance_m == pytest.approx(7.62)
    assert setback.forbids.matches(method="wick", active="anything", form="acid", aquatic_label=True)
    assert setback.source_filter.kind == ()


def test_united_kingdom():
    # UK Local Environment Risk Assessment for Pesticides, farmer guidance: 5 m wet, 1 m dry ditch, from the top of bank
    boom, edge = read("uk-lerap").setback
    assert (boom.distance_m, boom.source_filter.state, boom.datum) == (5.0, "wet", "top of bank")
    assert (edge.distance_m, edge.source_filter.state) == (1.0, None)
    assert edge.forbids.matches(method="foliar_spot", active="x", form="salt", aquatic_label=False)
    assert not boom.forbids.matches(method="foliar_spot", active="x", form="salt", aquatic_label=False)


def test_new_york():
    # New York 6 NYCRR 663.2(b): permit within 100 ft of a freshwater wetland
    (setback,) = read("ny-663").setback
    assert (setback.effect, setback.distance_m) == ("permit", pytest.approx(30.48))


def test_application_exclusion_zone():
    # 40 CFR 170.405: 100 ft finer than medium, 25 ft medium or coarser; it moves with the sprayer, so it never blocks
    assert rows("wps-aez") == {
        "AEZ-EVERYWHERE": ("anywhere", "notify"),
        "AEZ-FINE-100": (pytest.approx(30.48), "notify"),
        "AEZ-COARSE-25": (pytest.approx(7.62), "notify"),
    }


def test_height_of_the_tree():
    # PNW Weed Management Handbook, riparian restoration sites: distance = height of the sensitive tree
    (setback,) = read("tree-root").setback
    assert (setback.distance.column, setback.distance.times) == ("height_ft", 1.0)
    assert setback.forbids.active == ("aminocyclopyrachlor",)


# What each set was read for, typed in by hand from its document, in the words of the document: active, delivery or
# method, feature, state, distance (feet or metres), effect. The cells of the Siuslaw table stand in a file of their own.
PUBLISHED = {
    # Maine Code of Rules 01-026 chapter 29, sections 1 and 6
    "ME29-BROADCAST-25": ("me-ch29", {"delivery": "broadcast"}, None, 25 * FOOT_M, "forbids"),
    "ME29-MIXING-50": ("me-ch29", None, None, 50 * FOOT_M, "no_mixing"),
    # New Hampshire Code of Administrative Rules Pes 1001.01-.02
    "NH1001-25": ("nh-pes1001", {}, None, 25 * FOOT_M, "forbids"),
    # 40 CFR 170.405 (application exclusion zone)
    "AEZ-FINE-100": ("wps-aez", None, None, 100 * FOOT_M, "notify"),
    "AEZ-COARSE-25": ("wps-aez", None, None, 25 * FOOT_M, "notify"),
    # UK Local Environment Risk Assessment for Pesticides, farmer guidance: categories A and B share one row
    "LERAP-BOOM-5": ("uk-lerap", {"method": "boom"}, "wet", 5.0, "forbids"),
    "LERAP-EDGE-1": ("uk-lerap", {"method": ["boom", "foliar_spot", "low_volume_stream"]}, None, 1.0, "forbids"),
    # New York 6 NYCRR 663.2(b)
    "NY663-100": ("ny-663", None, None, 100 * FOOT_M, "permit"),
    # PNW Weed Management Handbook, riparian restoration sites
    "TREE-HEIGHT": ("tree-root", {"active": "aminocyclopyrachlor"}, None, "height_ft", "forbids"),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_row(name):
    ruleset, forbids, state, distance, effect = PUBLISHED[name]
    (setback,) = [item for item in read(ruleset).setback if item.id == name]
    assert setback.effect == effect
    assert setback.forbids == (None if forbids is None else Combination.model_validate(forbids))
    assert setback.source_filter.state == state
    if isinstance(distance, str):
        assert setback.distance.column == distance
    else:
        assert setback.distance_m == pytest.approx(distance)
    assert setback.source


def test_every_row_of_every_other_set_is_checked_above():
    held = {item.id for name in rulesets.packaged_names() if name != "usfs-siuslaw-a1" for item in read(name).setback}
    assert held - set(PUBLISHED) == {"AEZ-EVERYWHERE"}  # a reminder of ours beside the two published distances
