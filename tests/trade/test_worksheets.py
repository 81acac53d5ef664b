"""Calibration worksheets: figures by hand, the working in one line, and one clear error for each fault."""

from __future__ import annotations

import re

import pytest

from tussock.base.errors import QuantityError
from tussock.trade.forms import write_number
from tussock.trade.worksheets import WORKSHEETS

# task, what is given, first result in US units, its unit, the working
FILLED = [
    # common practice, no source: about 7.5 s
    (
        "timed-spot",
        {"area": "200 ft2", "rate": "5 gal/acre", "flow": "700 mL/min"},
        7.449,
        "s",
        "0.0045914 acre (200 ft2) x 5 gal/acre = 2.9385 fl oz; 2.9385 fl oz / 0.3945 fl oz/s = 7.4487 s",
    ),
    (
        "timed-spot",
        {"time": "7.4487 s", "rate": "5 gal/acre", "flow": "700 mL/min"},
        200.0,
        "ft2",
        "/ 5 gal/acre = 200 ft2",
    ),
    ("timed-spot", {"time": "7.4487 s", "area": "200 ft2", "flow": "700 mL/min"}, 5.0, "gal/acre", "= 5 gal/acre"),
    # by hand: 7.5 fl oz on 340 ft2 is 0.05859375 gal on 0.0078053 acre
    ("flow-catch", {"catch": "7.5 fl oz", "plot": "340 ft2"}, 340.0, "ft2", "= 7.5069 gal/acre"),
    ("flow-catch", {"catch": "40 fl oz", "course": "34 ft", "swath": "10 ft"}, 340.0, "ft2", "(34 ft x 10 ft)"),
    # by hand: 43560/128 = 340.3125 ft2; / 6 ft = 56.71875 ft
    (
        "acre-128",
        {"swath": "6 ft", "run": ["16 s", "18 s"], "catch": "7.5 fl oz"},
        340.3125,
        "ft2",
        "340.31 ft2 / 6 ft swath = 56.719 ft; 7.5 fl oz on 1/128 acre = 7.5 gal/acre",
    ),
    # by hand: 5940 x 3.75 / (5 x 222) = 20.0676
    (
        "boom",
        {"flow": "3.75 gpm", "speed": "5 mph", "spacing": "222 in"},
        20.0676,
        "gal/acre",
        "5940 x 3.75 gal/min / (5 mph x 222 in) = 20.068 gal/acre",
    ),
    # by hand: 20 x 5 x 20 / 5940 = 0.33670
    ("boom", {"rate": "20 gpa", "speed": "5 mph", "spacing": "20 in"}, 0.33670, "gal/min", "/ 5940 = 0.3367 gal/min"),
    # by hand: 88 ft at 1 mph takes 60 s (5280 ft in 3600 s)
    ("travel", {"course": "88 ft", "speed": "1 mph"}, 60.0, "s", "88 ft / 1.4667 ft/s = 60 s"),
    ("travel", {"course": "88 ft", "time": ["59 s", "61 s"]}, 1.0, "mph", "88 ft / 60 s = 1.4667 ft/s = 1 mph"),
    # by hand: 3 gal x 128 x 3 % = 11.52 fl oz
    ("mix", {"volume": "3 gal", "concentration": "3 %"}, 11.52, "fl oz", "3 gal x 3 % = 11.52 fl oz"),
    (
        "mix",
        {"volume": "3 gal", "concentration": "3 %", "dye": "1 %", "adjuvant": "1 %"},
        11.52,
        "fl oz",
        "3 gal x 3 %",
    ),
    # by hand: 8.34 lb x 16 oz x 1 % = 1.3344 oz
    (
        "mix",
        {"volume": "1 gal", "concentration": "1 %", "density": "8.34 lb/gal"},
        1.3344,
        "oz by weight",
        "1 gal x 8.34 lb/gal x 1 % = 1.3344 oz by weight",
    ),
    # common practice, no source: 1 part product to 2 parts water
    ("parts", {"volume": "3 gal", "parts": "1:2"}, 33.3333, "%", "3 gal x 0.33333 = 128 fl oz"),
    ("parts", {"volume": "10 gal", "parts": "1 in 50"}, 2.0, "%", "10 gal x 0.02 = 25.6 fl oz"),
    # by hand: 10 gal in 4 gal loads: two full ones and one of 2 gal
    (
        "load",
        {"volume": "10 gal", "capacity": "4 gal", "concentration": "20 %"},
        3,
        "",
        "10 gal / 4 gal = 2.5, so 3 loads; 4 gal x 20 % = 102.4 fl oz",
    ),
    # by hand: 7 fl oz/acre at 100 gal/acre is 3.5 fl oz in 50 gal
    (
        "load",
        {"volume": "50 gal", "capacity": "50 gal", "product-rate": "7 fl oz/acre", "rate": "100 gal/acre"},
        1,
        "",
        "so 1 load; 50 gal x 0.054687 % = 3.5 fl oz",
    ),
    # by hand: 100 x 0.05 x 4 = 20 lb/acre
    (
        "dose",
        {"rate": "100 gal/acre", "concentration": "5 %", "strength": "4 lb/gal", "limit": "8 lb/acre"},
        20.0,
        "lb/acre",
        "100 gal/acre x 5 % x 4 lb/gal = 20 lb/acre",
    ),
    # by hand: 16/128 gal/acre x 2 lb/gal = 0.25 lb/acre
    (
        "rate-check",
        {"product-rate": "16 fl oz/acre", "strength": "2 lb/gal", "stated": "2.5 lb/acre"},
        0.25,
        "lb/acre",
        "0.125 gal/acre x 2 lb/gal = 0.25 lb/acre",
    ),
    # published ratio of glyphosate acid to its isopropylamine salt: 0.741
    (
        "ae",
        {"active": "glyphosate", "salt": "isopropylamine salt", "ai": "5.4 lb/gal"},
        0.74095,
        "",
        "5.4 lb/gal ai x 0.74095 = 4.0011 lb/gal ae",
    ),
    ("ae", {"acid": "C3H8NO5P", "compound": "C6H17N2O5P"}, 0.74095, "", "169.07 / 228.18 g/mol = 0.74095"),
    ("ae", {"ratio": "75 %", "ae": "3 lb/gal"}, 0.75, "", "3 lb/gal ae / 0.75 = 4 lb/gal ai"),
    # common practice, no source: 8 in takes 3 cuts
    (
        "injection",
        {"diameter": "8 in", "dose-per-cut": "1 mL", "stems": "40"},
        3,
        "",
        "diameter / step: 8 in / 3 in, rounded up = 3 cuts; 3 x 40 stems x 1 mL = 120 mL",
    ),
    # by hand: pi x 8 in = 25.13 in around, 3 in apart: 9
    (
        "injection",
        {"diameter": "8 in", "dose-per-cut": "1 mL", "spacing": "3 in"},
        9,
        "",
        "25.133 in / 3 in, rounded up = 9",
    ),
]


@pytest.mark.parametrize(("task", "given", "first", "unit", "working"), FILLED)
def test_filled_by_hand(task, given, first, unit, working):
    sheet = WORKSHEETS[task].fill(given)
    assert sheet.lines[0].value == pytest.approx(first, rel=1e-4)
    assert sheet.lines[0].unit == unit
    assert working in sheet.working
    assert "\n" not in sheet.working


def test_every_task_is_filled_above():
    assert {row[0] for row in FILLED} == set(WORKSHEETS)


@pytest.mark.parametrize(("task", "given", "first", "unit", "working"), FILLED)
def test_metric_sheet_says_the_same(task, given, first, unit, working):
    us, metric = (WORKSHEETS[task].fill(given, system) for system in ("us", "metric"))
    factor = {  # NIST Handbook 44, Appendix C
        "ft2": 0.09290304, "gal/acre": 9.35395625, "gal/min": 3.785411784, "mph": 1.609344, "fl oz": 29.5735295625,
        "oz by weight": 28.349523125, "lb/acre": 1.12085116, "ft": 0.3048, "gal": 3.785411784, "lb/gal": 119.826427,
    }  # fmt: skip
    for line, metric_line in zip(us.lines, metric.lines, strict=True):
        assert line.label == metric_line.label
        assert metric_line.value == pytest.approx(line.value * factor.get(line.unit, 1.0), rel=1e-7)
    assert not re.search(
        r"\b(gal|acre|ft|ft2|mph|lb|in|fl oz)\b(?! acre =)", metric.working.split("fl oz on 1/128 acre")[0]
    )


def test_printed_sheet():
    sheet = WORKSHEETS["mix"].fill({"volume": "3 gal", "concentration": "3 %"})
    assert str(sheet).splitlines() == [
        "Percent solution by volume",
        "product: 11.52 fl oz",
        "carrier: 2.91 gal",
        "working: 3 gal x 3 % = 11.52 fl oz",
    ]


def test_dose_over_the_limit_says_so():
    given = {"rate": "100 gal/acre", "concentration": "5 %", "strength": "4 lb/gal", "limit": "8 lb/acre"}
    sheet = WORKSHEETS["dose"].fill(given)
    assert sheet.notes == ("over the limit of 8 lb/acre: do not mix this",)
    assert sheet.lines[1].value == pytest.approx(2.0)
    assert WORKSHEETS["dose"].fill(given | {"concentration": "2 %"}).notes == ()


def test_rate_check_says_what_is_wrong():
    given = {"product-rate": "16 fl oz/acre", "strength": "2 lb/gal", "stated": "2.5 lb/acre"}
    assert "the decimal point slipped" in WORKSHEETS["rate-check"].fill(given).notes[0]


@pytest.mark.parametrize(
    ("task", "given", "words"),
    [
        (
            "boom",
            {"flow": "3 gal", "speed": "5 mph", "spacing": "20 in"},
            '--flow: found "3 gal", which is of another kind',
        ),
        ("boom", {"speed": "5 mph", "spacing": "20 in"}, "--flow, --rate: found --flow and --rate missing"),
        (
            "boom",
            {"flow": "1 gpm", "rate": "9 gpa", "speed": "5 mph", "spacing": "20 in"},
            "found all of them; leave out",
        ),
        ("mix", {"volume": "3 gal"}, '--concentration: missing; write such as --concentration "2 %"'),
        (
            "mix",
            {"volume": "3 gal", "concentration": "110 %"},
            '--concentration: found "110 %", which is more than the whole',
        ),
        ("mix", {"volume": "3 gal", "concentration": "0.02"}, '--concentration: found "0.02", where a share is needed'),
        ("mix", {"volume": "nan gal", "concentration": "2 %"}, '--volume: found "nan gal"'),
        ("mix", {"volume": "1 1/2 gal", "concentration": "2 %"}, r'--volume: found "1 1/2 gal".*1\.5, not 1 1/2'),
        ("mix", {"volume": "3 oz", "concentration": "2 %"}, '"oz" is a weight; for volume write "fl oz"'),
        ("mix", {"volume": "-3 gal", "concentration": "2 %"}, '--volume: found "-3 gal", which is below 0'),
        ("mix", {"volume": "3 gal", "concentration": "2 %", "dye": "99 %"}, "together at most 100 %"),
        (
            "mix",
            {"volume": "3 gal", "concentration": "2 %", "dye": "1 %", "density": "1 kg/L"},
            "--dye: found beside --density",
        ),
        ("mix", {"volum": "3 gal"}, "--volum: not an option of mix; known: --volume"),
        ("parts", {"volume": "3 gal", "parts": "0:2"}, '--parts: found "0:2"; write "1:2"'),
        ("parts", {"volume": "3 gal", "parts": "3 in 2"}, '--parts: found "3 in 2"; the finished mix holds'),
        ("parts", {"volume": "3 gal", "parts": "half"}, '--parts: found "half"'),
        (
            "load",
            {"volume": "3 gal", "capacity": "0 gal", "concentration": "2 %"},
            "--capacity: .* must be more than zero",
        ),
        ("load", {"volume": "3 gal", "capacity": "1 gal"}, "--concentration: give either"),
        ("load", {"volume": "3 gal", "capacity": "1 gal", "product-rate": "1 pt/acre"}, "--rate: missing"),
        (
            "load",
            {"volume": "3 gal", "capacity": "1 gal", "concentration": "2 %", "rate": "9 gpa"},
            "--rate: found beside --concentration",
        ),
        ("flow-catch", {"catch": "1 pt"}, "--plot: give either the area"),
        ("flow-catch", {"catch": "1 pt", "plot": "9 ft2", "swath": "1 ft"}, "--plot: give either the area"),
        ("flow-catch", {"catch": "1 pt", "swath": "1 ft"}, "--course: missing"),
        ("travel", {"course": "88 ft"}, "--speed: give either"),
        ("ae", {"ai": "3 lb/gal"}, "--ratio: give one way"),
        ("ae", {"active": "glyphosate"}, "--salt: missing; --active and --salt go together"),
        ("ae", {"ratio": "75 %", "ai": "3 lb/gal", "ae": "3 lb/gal"}, "--ai: give either --ai or --ae"),
        (
            "injection",
            {"diameter": "0 in", "dose-per-cut": "1 mL"},
            '--diameter: found "0 in"; it must be more than zero',
        ),
        ("injection", {"diameter": "3 in", "dose-per-cut": "1 mL", "stems": "-4"}, '--stems: found "-4"'),
        (
            "injection",
            {"diameter": "3 in", "dose-per-cut": "1 mL", "spacing": "1 in", "per-diameter": "1 in"},
            "--spacing: give either",
        ),
    ],
)
def test_each_fault_names_its_option(task, given, words):
    with pytest.raises(QuantityError, match=words):
        WORKSHEETS[task].fill(given)


@pytest.mark.parametrize("task", WORKSHEETS)
def test_help_is_complete_and_examples_are_read(task):
    spec = WORKSHEETS[task]
    assert spec.help.endswith(".")
    assert len({option.name for option in spec.options}) == len(spec.options)
    for option in spec.options:
        assert option.help
        if option.kind != "text":
            assert option.read(option.example) > 0


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (12.5, "12.5"),
        (1234567.0, "1234600"),
        (0.0000123456, "0.000012346"),
        (100.0, "100"),
        (7.44866, "7.4487"),
    ],
)
def test_numbers_are_written_plainly(value, text):
    assert write_number(value) == text
