"""Method records and defaults."""

from __future__ import annotations

import pytest

from tussock.base.errors import QuantityError
from tussock.base.records import DELIVERY, STEM_METHODS
from tussock.base.units import parse_quantity as q
from tussock.trade import methods
from tussock.trade.tables import COMMON_PRACTICE


def test_there_is_one_record_for_each_method():
    assert list(methods.METHODS) == list(DELIVERY)
    assert len(methods.METHODS) == 11


@pytest.mark.parametrize("name", DELIVERY)
def test_record_agrees_with_the_contract(name):
    method = methods.METHODS[name]
    assert method.delivery == DELIVERY[name]
    assert (method.basis == "stems") == (name in STEM_METHODS)
    assert (method.carrier is None) == (method.delivery == "none")
    assert method.cautions
    assert COMMON_PRACTICE in method.source


def test_low_volume_stream():
    # common practice, no source: 2 to 5 gal/acre, 10 to 20 % product, throw about 20 ft
    method = methods.METHODS["low_volume_stream"]
    assert method.spray_volume_l_per_ha == pytest.approx((q("2 gal/acre", "L/ha"), q("5 gal/acre", "L/ha")))
    assert method.concentration == pytest.approx((0.10, 0.20))
    assert method.reach_m == pytest.approx(20 * 0.3048)


@pytest.mark.parametrize(
    ("name", "feet", "stands", "from_boat"),
    [  # common practice, no source: an arm, a wand, a stream; a machine where it stands
        ("pull", 3, "person", True),
        ("wick", 3, "person", True),
        ("stem_injection", 3, "person", True),
        ("foliar_spot", 6, "person", True),
        ("low_volume_stream", 20, "person", True),
        ("boom", 0, "machine", False),
        ("mow", 0, "machine", False),
    ],
)
def test_reach(name, feet, stands, from_boat):
    method = methods.METHODS[name]
    assert method.reach_m == pytest.approx(feet * 0.3048)
    assert (method.stands, method.from_boat) == (stands, from_boat)


@pytest.mark.parametrize(
    ("name", "concentration", "carrier"),
    [
        # common practice, no source
        ("wick", (1 / 3, 1 / 3), "water"),
        ("stem_injection", (0.5, 1.0), "water"),
        ("cut_stump", (0.5, 1.0), "water"),
        ("basal_bark", (0.20, 0.25), "oil"),
    ],
)
def test_usual_mix(name, concentration, carrier):
    method = methods.METHODS[name]
    assert method.concentration == pytest.approx(concentration)
    assert method.carrier == carrier


@pytest.mark.parametrize(
    ("name", "words"),
    [
        # common practice, no source: what hurts
        ("cut_stump", "at once after the cut"),
        ("cut_stump", "living ring"),
        ("stem_injection", "dye"),
        ("basal_bark", "until the following season"),
        ("low_volume_stream", "keep the stream moving"),
        ("wick", "more protective clothing"),
    ],
)
def test_cautions_are_there(name, words):
    assert words in " ".join(methods.METHODS[name].cautions).casefold()


def test_unusual_growth_form_is_a_warning_only():
    assert methods.METHODS["boom"].warn_growth_form("herbaceous") == ""
    assert "boom broadcast is not usual on a tree" in methods.METHODS["boom"].warn_growth_form("tree")


def test_unknown_method_is_a_key_error():
    with pytest.raises(KeyError, match="burn"):
        methods.METHODS["burn"]


@pytest.mark.parametrize("growth_form", ["herbaceous", "vine", "shrub", "tree"])
def test_every_growth_form_has_a_way_without_herbicide(growth_form):
    words = methods.offer_non_chemical(growth_form)
    assert any(verb in words for verb in ("pull", "dig", "cut", "mow"))


def test_unknown_growth_form_names_the_four():
    with pytest.raises(QuantityError, match='growth form "moss"; write one of herbaceous, vine, shrub, tree'):
        methods.offer_non_chemical("moss")


def test_widths_are_for_lines_only():
    # invented defaults, on the wide side; still water is drawn as an area and has none
    assert methods.default_width_m("Creek") == methods.default_width_m("stream") == pytest.approx(15 * 0.3048)
    assert methods.default_width_m("ditch") == pytest.approx(8 * 0.3048)
    assert methods.default_width_m("river") > methods.default_width_m("stream")
    assert methods.default_width_m("lake") is None
