"""Cover entries: every spelling by hand, and properties."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tussock.base.errors import QuantityError
from tussock.trade.cover import CoverEntry, read_cover_column, read_scheme, scheme_names

ENTRIES = st.one_of(
    st.none(),
    st.integers(-5, 120),
    st.floats(-5, 120),
    st.just(float("nan")),
    st.sampled_from(
        ["", "trace", "T", "<1", ">95 %", "5-25", "5 - 25 %", "25%", "1", "r", "+", "lots", "25-5", "<0", ">100"]
    ),
    st.text(max_size=8),
)


def shares(entry: CoverEntry) -> tuple[float | None, float | None, float | None]:
    return entry.low, entry.likely, entry.high


def test_column_of_a_mapper():
    # 2.0 acres: 0.1 to 0.5 acre; 0 to 0.02; refused until the scheme is named; 0.5; unknown
    span, trace, bare, percent, blank = read_cover_column(["5-25", "trace", "1", "25%", ""])
    assert shares(span) == pytest.approx((0.05, 0.15, 0.25))
    assert shares(trace) == pytest.approx((0.0, 0.005, 0.01))
    assert shares(bare) == (None, None, None)
    assert bare.refused
    assert "class or percent? name the class scheme" in bare.note
    assert shares(percent) == pytest.approx((0.25, 0.25, 0.25))
    assert shares(blank) == (None, None, None)
    assert not blank.refused


def test_named_scheme_settles_the_bare_number():
    entries = read_cover_column(["5-25", "trace", "1", "25%", None], scheme="Daubenmire-1959")
    assert shares(entries[2]) == pytest.approx((0.0, 0.025, 0.05))
    assert not entries[2].refused
    assert entries[2].note == "class 1 of daubenmire-1959: 0 to 5 %"


def test_default_is_taken_for_blanks_only():
    entries = read_cover_column(["", "40 %", None], default="10-30 %")
    assert shares(entries[0]) == shares(entries[2]) == pytest.approx((0.1, 0.2, 0.3))
    assert entries[0].note == "cover not recorded: default 10-30 % taken"
    assert entries[1].likely == pytest.approx(0.4)


@pytest.mark.parametrize("default", ["5", "lots", "", "110 %", "T"])
def test_unclear_default_is_an_error(default):
    with pytest.raises(QuantityError, match="default cover"):
        read_cover_column([None], default=default)


@pytest.mark.parametrize(
    "column",
    [
        [5, 10, 60],
        [5.0, float("nan"), 60.0],
        np.array([5.0, 60.0]),
        np.array([5, 60], dtype=np.int32),
        np.array([5.0, 60.0], dtype=np.float32),
        ["5", "60"],
        ["5", "", "60.0"],
    ],
)
def test_plain_numbers_are_percent(column):
    entries = [entry for entry in read_cover_column(list(column)) if entry.known]
    assert entries[0].likely == pytest.approx(0.05)
    assert entries[-1].likely == pytest.approx(0.60)


@pytest.mark.parametrize("other", ["trace", "5-25", "25%", "T", "<1"])
@pytest.mark.parametrize("bare", ["1", "10", "1.0", 1, 1.0])
def test_small_whole_number_among_words_is_refused(bare, other):
    entry = read_cover_column([bare, other])[0]
    assert entry.refused
    assert "class or percent" in entry.note


@pytest.mark.parametrize("word", ["0", 0, "absent", "Eradicated", "not found"])
def test_nothing_found_is_no_cover_whatever_else_the_column_holds(word):
    # 0 is 0 % as a class too: BLM/NRCS cover board method, Table 2, p. 88
    entries = read_cover_column([word, "5-25", None], default="30 %")
    assert (entries[0].low, entries[0].likely, entries[0].high, entries[0].default) == (0, 0, 0, False)
    assert (entries[2].likely, entries[2].default) == (0.3, True)


def test_a_word_for_nothing_found_leaves_a_column_of_numbers_plain():
    assert read_cover_column(["5", "eradicated"])[0].likely == pytest.approx(0.05)


@pytest.mark.parametrize(("text", "likely"), [("11", 0.11), ("2.5", 0.025), ("60", 0.6), ("10 %", 0.1)])
def test_number_that_is_no_class_is_percent(text, likely):
    assert read_cover_column([text, "trace"])[0].likely == pytest.approx(likely)


@pytest.mark.parametrize(
    ("text", "low", "likely", "high"),
    [
        ("25 %", 25, 25, 25),
        ("~25%", 25, 25, 25),
        ("about 30 percent", 30, 30, 30),
        ("5-25", 5, 15, 25),
        ("5 - 25 %", 5, 15, 25),
        ("5%-25%", 5, 15, 25),
        ("5–25 %", 5, 15, 25),
        ("5 to 25", 5, 15, 25),
        ("0.5-1.5", 0.5, 1, 1.5),
        ("<1", 0, 0.5, 1),
        ("< 5 %", 0, 2.5, 5),
        ("under 10%", 0, 5, 10),
        (">95", 95, 97.5, 100),
        ("over 75 %", 75, 87.5, 100),
        ("Trace", 0, 0.5, 1),
        ("tr", 0, 0.5, 1),
        ("100%", 100, 100, 100),
        ("0 %", 0, 0, 0),
    ],
)
def test_spellings(text, low, likely, high):
    (entry,) = read_cover_column([text])
    assert shares(entry) == pytest.approx((low / 100, likely / 100, high / 100))
    assert not entry.refused


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("110", "cover is from 0 to 100 %"),
        ("110 %", "cover is from 0 to 100 %"),
        ("-5", "cover is from 0 to 100 %"),
        ("-5 %", "cover is from 0 to 100 %"),
        ("50-150", "cover is from 0 to 100 %"),
        (">100", "cover is from 0 to 100 %"),
        ("25-5", "ends below its start"),
        ("lots", "not a cover"),
        ("none", "not a cover"),
        ("T", "or name the class scheme"),
        ("5-", "not a cover"),
        ("25,5", "not a cover"),
        ("{{7*7}}", "not a cover"),
        ("inf", "not a cover"),
    ],
)
def test_refused(text, words):
    (entry,) = read_cover_column([text])
    assert entry.refused
    assert shares(entry) == (None, None, None)
    assert words in entry.note
    assert f'"{text}"' in entry.note
    assert entry.impossible == ("not a cover" not in entry.note)


@pytest.mark.parametrize("value", [True, 1e400, -0.5])
def test_numbers_that_are_no_cover_are_refused(value):
    assert read_cover_column([value])[0].refused


@pytest.mark.parametrize("blank", [None, "", "  ", float("nan"), np.nan, "NA", "n/a", "unknown", "?", "<NA>", "-"])
def test_blank_is_unknown_not_zero_and_not_full(blank):
    (entry,) = read_cover_column([blank])
    assert entry == CoverEntry(None, None, None, "cover not recorded: unknown")


def test_fractions_are_percent_and_say_so():
    entries = read_cover_column([0.25, 1.0])
    assert entries[0].likely == pytest.approx(0.0025)
    assert "if the column holds shares of 1" in entries[0].note


def test_classes_in_a_numeric_column():
    # whole column of classes, as a table reader gives it: floats with nan for the blank
    entries = read_cover_column([1.0, 3.0, float("nan")], scheme="daubenmire-1959")
    assert [entry.likely for entry in entries] == [pytest.approx(0.025), pytest.approx(0.375), None]


def test_classes_and_percent_in_one_column_of_numbers_cannot_be_told_apart():
    low, high = read_cover_column([5, 40], scheme="daubenmire-1959")
    assert low.refused
    assert "the column also holds 40" in low.note
    assert high.likely == pytest.approx(0.40)


def test_letters_of_a_scheme():
    single, plus = read_cover_column(["r", "+"], scheme="braun-blanquet-1964")
    assert shares(single) == shares(plus) == pytest.approx((0.0, 0.005, 0.01))


def test_unknown_scheme_lists_those_that_ship():
    with pytest.raises(QuantityError, match="name one of blm-nrcs-cover-board, braun-blanquet-1964, daubenmire-1959"):
        read_cover_column(["1"], scheme="my own")


@pytest.mark.parametrize("name", scheme_names())
def test_schemes_climb_without_gaps_from_zero_to_full(name):
    classes = sorted(set(read_scheme(name).values()))
    assert classes[0][0] == 0
    assert classes[-1][1] == 100
    assert all(later[0] <= earlier[1] for earlier, later in pairwise(classes))


@settings(deadline=None, database=None, max_examples=300)
@given(values=st.lists(ENTRIES, max_size=8), scheme=st.sampled_from([None, *scheme_names()]))
def test_likely_lies_between_low_and_high(values, scheme):
    entries = read_cover_column(values, scheme=scheme)
    assert len(entries) == len(values)
    for entry in entries:
        if entry.known:
            assert 0 <= entry.low <= entry.likely <= entry.high <= 1
            assert not entry.refused
        else:
            assert shares(entry) == (None, None, None)
            assert entry.note
