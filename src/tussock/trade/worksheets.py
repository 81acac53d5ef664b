"""In: the texts of one calibration task. Out: its filled worksheet. `WORKSHEETS` lists the tasks for a command line."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from tussock.trade import tasks
from tussock.trade.forms import Line, OptionSpec, Worksheet, WorksheetSpec

__all__ = ["WORKSHEETS", "Line", "OptionSpec", "Worksheet", "WorksheetSpec"]

_CATCH = OptionSpec("catch", "liquid caught or sprayed over the plot", "25 fl oz", unit="L", required=True)
_SWATH = OptionSpec("swath", "width of one pass", "6 ft", unit="m")
_COURSE = OptionSpec("course", "length of the course", "100 ft", unit="m")
_RATE = OptionSpec("rate", "spray volume on the treated ground", "20 gal/acre", unit="L/ha")
_FLOW = OptionSpec("flow", "output of the nozzle", "700 mL/min", unit="L/s")
_SPEED = OptionSpec("speed", "ground speed", "3 mph", unit="m/s")
_VOLUME = OptionSpec("volume", "finished mix", "4 gal", unit="L", required=True)
_SHARE = OptionSpec("concentration", "product in the mix", "2 %", kind="share")
_STRENGTH = OptionSpec("strength", "strength of the product", "4 lb/gal", unit="kg/L", required=True)
_PRODUCT_RATE = OptionSpec("product-rate", "product on the treated ground", "16 fl oz/acre", unit="L/ha")


def _required(option: OptionSpec) -> OptionSpec:
    return replace(option, required=True)


_SPECS: Final = (
    WorksheetSpec(
        "flow-catch",
        "Flow catch to spray volume",
        "Spray volume per area from a catch over a plot of any size.",
        (_CATCH, OptionSpec("plot", "area of the plot", "400 ft2", unit="m2"), _COURSE, _SWATH),
        tasks.fill_flow_catch,
    ),
    WorksheetSpec(
        "acre-128",
        "1/128 acre",
        "The 1/128 acre method: course for a swath; fluid ounces caught read as gallons per acre.",
        (
            _required(_SWATH),
            OptionSpec("run", "time of one run over the course", "17 s", unit="s", multiple=True),
            replace(_CATCH, required=False),
        ),
        tasks.fill_acre_128,
    ),
    WorksheetSpec(
        "boom",
        "Boom",
        "Spray volume of a boom from the flow per nozzle, or the flow that a spray volume needs.",
        (
            _FLOW,
            _required(_SPEED),
            OptionSpec("spacing", "between nozzles, or swath of the whole boom", "20 in", unit="m", required=True),
            _RATE,
        ),
        tasks.fill_boom,
    ),
    WorksheetSpec(
        "travel",
        "Travel over a course",
        "Time over a course at a speed, or speed from timed runs.",
        (
            _required(_COURSE),
            _SPEED,
            OptionSpec("time", "time of one run", "27 s", unit="s", multiple=True),
        ),
        tasks.fill_travel,
    ),
    WorksheetSpec(
        "timed-spot",
        "Timed spot treatment",
        "Seconds of spraying for a patch; or the ground covered, or the spray volume put on, in a time.",
        (
            OptionSpec("area", "ground to be treated", "200 ft2", unit="m2"),
            _RATE,
            _required(_FLOW),
            OptionSpec("time", "time of spraying", "7.5 s", unit="s"),
        ),
        tasks.fill_timed_spot,
    ),
    WorksheetSpec(
        "mix",
        "Percent solution",
        "Product and carrier of a percent solution: by volume, or by weight where --density is given.",
        (
            _VOLUME,
            _required(_SHARE),
            OptionSpec("dye", "dye in the mix, by volume", "0.5 %", kind="share"),
            OptionSpec("adjuvant", "adjuvant in the mix, by volume", "1 %", kind="share"),
            OptionSpec("density", "weight of the solution: makes it a solution by weight", "8.34 lb/gal", unit="kg/L"),
        ),
        tasks.fill_mix,
    ),
    WorksheetSpec(
        "parts",
        "Mixing by parts",
        'Product and carrier from parts: "1:2" is 1 part to 2 parts, "1 in 50" is 1 part in 50 parts of the mix.',
        (_VOLUME, OptionSpec("parts", "parts of product and carrier", "1:2", kind="parts", required=True)),
        tasks.fill_parts,
    ),
    WorksheetSpec(
        "load",
        "Loads",
        "Fillings of the equipment, the last one in part, and the product in each.",
        (
            _VOLUME,
            OptionSpec("capacity", "what the equipment holds", "4 gal", unit="L", required=True),
            _SHARE,
            _PRODUCT_RATE,
            _RATE,
        ),
        tasks.fill_load,
    ),
    WorksheetSpec(
        "dose",
        "Dose on the ground",
        "Acid equivalent per area from spray volume, concentration and strength; the ceiling for a limit.",
        (
            _required(_RATE),
            _required(_SHARE),
            _STRENGTH,
            OptionSpec("limit", "most on the label, per area", "8 lb/acre", unit="kg/ha"),
        ),
        tasks.fill_dose,
    ),
    WorksheetSpec(
        "rate-check",
        "Rate check",
        "Whether a stated rate agrees with product volume x strength: catches slipped decimal points.",
        (
            _required(_PRODUCT_RATE),
            _STRENGTH,
            OptionSpec("stated", "rate that the document states", "0.25 lb/acre", unit="kg/ha", required=True),
        ),
        tasks.fill_rate_check,
    ),
    WorksheetSpec(
        "ae",
        "Acid equivalent",
        "Active ingredient (ai) to acid equivalent (ae) and back; the ratio stated, by name or from formulae.",
        (
            OptionSpec("ai", "strength as active ingredient", "5.4 lb/gal", unit="kg/L"),
            OptionSpec("ae", "strength as acid equivalent", "4 lb/gal", unit="kg/L"),
            OptionSpec("ratio", "acid in one weight of the compound", "74.1 %", kind="share"),
            OptionSpec("active", "active ingredient", "glyphosate", kind="text"),
            OptionSpec("salt", "salt or ester of it", "isopropylamine salt", kind="text"),
            OptionSpec("acid", "chemical formula of the acid", "C3H8NO5P", kind="text"),
            OptionSpec("compound", "chemical formula of the salt or ester", "C6H17N2O5P", kind="text"),
        ),
        tasks.fill_ae,
    ),
    WorksheetSpec(
        "injection",
        "Stem injection",
        "Cuts and mix for stems of one diameter; one cut for every 3 in where no rule is given.",
        (
            OptionSpec("diameter", "diameter of the stem", "8 in", unit="m", required=True),
            OptionSpec("dose-per-cut", "mix in one cut", "1 mL", unit="L", required=True),
            OptionSpec("stems", "how many stems", "40", kind="number"),
            OptionSpec("per-diameter", "one cut for each such step of diameter", "3 in", unit="m"),
            OptionSpec("spacing", "or: between centres of cuts, around the stem", "3 in", unit="m"),
        ),
        tasks.fill_injection,
    ),
)

#: Every calibration task by its name on the command line.
WORKSHEETS: Final[dict[str, WorksheetSpec]] = {spec.name: spec for spec in _SPECS}
