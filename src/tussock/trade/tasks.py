"""In: the sizes read for one calibration task. Out: its filled worksheet, with the working in one line."""

from __future__ import annotations

import math
from typing import Final

from tussock.base.errors import QuantityError
from tussock.base.units import FLUID_OUNCE_L
from tussock.trade import acid_equivalent, calibration, mixing, stems
from tussock.trade.forms import Line, Values, Worksheet, write_number

_PERCENT: Final = 100.0


def _percent(share: float) -> str:
    return f"{write_number(share * _PERCENT)} %"


def fill_flow_catch(values: Values) -> Worksheet:
    """Spray volume from a catch over a plot."""
    plot_m2, plot_text = _find_plot(values)
    catch_l = values.one("catch")
    rate = calibration.find_spray_volume_l_per_ha(catch_l, plot_m2)
    lines = (values.line("plot", plot_m2, "plot"), values.line("spray volume", rate, "rate"))
    working = f"{values.text(catch_l, 'volume')} / {plot_text} = {values.text(rate, 'rate')}"
    return Worksheet("Flow catch to spray volume", lines, working)


def _find_plot(values: Values) -> tuple[float, str]:
    """Return the plot [m2], given as an area or as course x swath, and how it was found."""
    plot = values.maybe("plot")
    sides = (values.maybe("course"), values.maybe("swath"))
    if (plot is None) == (sides == (None, None)):
        raise QuantityError('--plot: give either the area, such as --plot "400 ft2", or --course and --swath')
    if plot is not None:
        return plot, _ground(values, plot)
    course, swath = values.one("course"), values.one("swath")
    sides_text = f"{values.text(course, 'length')} x {values.text(swath, 'length')}"
    return course * swath, f"{values.text(course * swath, 'ground')} ({sides_text})"


def fill_acre_128(values: Values) -> Worksheet:
    """Course, speed and spray volume by the 1/128 acre method."""
    plot_m2 = calibration.find_fl_oz_plot_m2()
    course_m = calibration.find_course_m(plot_m2, values.one("swath"))
    lines = [values.line("plot", plot_m2, "plot"), values.line("course", course_m, "length")]
    working = f"{values.text(plot_m2, 'plot')} / {values.text(values.one('swath'), 'length')} swath = "
    working += values.text(course_m, "length")
    if values.sizes["run"]:
        mean_s = calibration.average_runs(values.sizes["run"])
        lines.append(values.line("mean time of the runs", mean_s, "time"))
        lines.append(values.line("speed", calibration.find_speed_m_per_s(course_m, mean_s), "speed"))
    catch_l = values.maybe("catch")
    if catch_l is not None:
        rate = calibration.find_spray_volume_l_per_ha(catch_l, plot_m2)
        lines.append(values.line("spray volume", rate, "rate"))
        working += f"; {write_number(catch_l / FLUID_OUNCE_L)} fl oz on 1/128 acre = {values.text(rate, 'rate')}"
    return Worksheet("1/128 acre: fluid ounces caught are gallons per acre", tuple(lines), working)


def fill_boom(values: Values) -> Worksheet:
    """Spray volume of a boom, or the flow it needs."""
    speed, spacing = values.one("speed"), values.one("spacing")
    missing = values.missing_of("flow", "rate")
    us = values.system == "us"
    units = ("gal/min", "mi/hour", "in", "gal/acre") if us else ("L/min", "km/hour", "m", "L/ha")
    constant = write_number(calibration.find_boom_constant(*units))
    width = values.text(spacing, "short length" if us else "length")
    if missing == "rate":
        flow = values.one("flow")
        rate = calibration.find_boom_l_per_ha(flow, speed, spacing)
        line = values.line("spray volume", rate, "rate")
        working = f"{constant} x {values.text(flow, 'flow')} / ({values.text(speed, 'speed')} x {width})"
    else:
        rate = values.one("rate")
        line = values.line("flow per nozzle", calibration.find_boom_flow_l_per_s(rate, speed, spacing), "flow")
        working = f"{values.text(rate, 'rate')} x {values.text(speed, 'speed')} x {width} / {constant}"
    return Worksheet("Boom", (line,), f"{working} = {write_number(line.value)} {line.unit}")


def fill_travel(values: Values) -> Worksheet:
    """Time over a course, or speed from timed runs."""
    course = values.one("course")
    runs = values.sizes["time"]
    if bool(runs) == (values.maybe("speed") is not None):
        raise QuantityError('--speed: give either --speed "3 mph" or --time "27 s" (several times for several runs)')
    if runs:
        mean_s = calibration.average_runs(runs)
        speed = calibration.find_speed_m_per_s(course, mean_s)
        line = values.line("speed", speed, "speed")
        working = f"{values.text(course, 'length')} / {values.text(mean_s, 'time')} = {values.text(speed, 'pace')}"
    else:
        speed = values.one("speed")
        line = values.line("time", calibration.find_travel_s(course, speed), "time")
        working = f"{values.text(course, 'length')} / {values.text(speed, 'pace')}"
    return Worksheet("Travel over a course", (line,), f"{working} = {write_number(line.value)} {line.unit}")


def fill_timed_spot(values: Values) -> Worksheet:
    """Seconds of spraying, ground covered or spray volume: the one left out."""
    missing = values.missing_of("area", "rate", "time")
    flow = values.one("flow")
    flow_text = values.text(flow, "small flow")
    if missing == "time":
        area, rate = values.one("area"), values.one("rate")
        line = values.line("spray for", calibration.find_spray_seconds(area, rate, flow), "time")
        patch_l = mixing.find_volume_l(area, rate)
        working = f"{_ground(values, area)} x {values.text(rate, 'rate')} = {values.text(patch_l, 'small volume')}; "
        working += f"{values.text(patch_l, 'small volume')} / {flow_text}"
    elif missing == "area":
        rate, time = values.one("rate"), values.one("time")
        line = values.line("ground covered", calibration.find_sprayed_area_m2(time, rate, flow), "plot")
        sprayed = values.text(time * flow, "volume")
        working = f"{values.text(time, 'time')} x {flow_text} = {sprayed}; {sprayed} / {values.text(rate, 'rate')}"
    else:
        area, time = values.one("area"), values.one("time")
        line = values.line("spray volume", calibration.find_timed_rate_l_per_ha(time, area, flow), "rate")
        sprayed = values.text(time * flow, "volume")
        working = f"{values.text(time, 'time')} x {flow_text} = {sprayed}; {sprayed} / {_ground(values, area)}"
    return Worksheet("Timed spot treatment", (line,), f"{working} = {write_number(line.value)} {line.unit}")


def _ground(values: Values, area_m2: float) -> str:
    return f"{values.text(area_m2, 'ground')} ({values.text(area_m2, 'plot')})"


def fill_mix(values: Values) -> Worksheet:
    """Percent solution by volume, or by weight where a density is given."""
    volume, share = values.one("volume"), values.one("concentration")
    density = values.maybe("density")
    if density is not None:
        if beside := [name for name in ("dye", "adjuvant") if values.sizes.get(name)]:
            raise QuantityError(f"--{beside[0]}: found beside --density; a solution by weight has the product alone")
        product_kg = mixing.find_product_kg_by_weight(volume, share, density)
        line = values.line("product, by weight", product_kg, "small mass")
        working = f"{values.text(volume, 'volume')} x {values.text(density, 'strength')} x {_percent(share)}"
        working += f" = {values.text(product_kg, 'small mass')}"
        return Worksheet("Percent solution by weight", (line,), working)
    dye, adjuvant = values.maybe("dye") or 0.0, values.maybe("adjuvant") or 0.0
    mix = mixing.split_mix(volume, share, dye=dye, adjuvant=adjuvant)
    lines = [values.line("product", mix.product_l, "small volume"), values.line("carrier", mix.carrier_l, "volume")]
    lines += [values.line("dye", mix.dye_l, "small volume")] if dye else []
    lines += [values.line("adjuvant", mix.adjuvant_l, "small volume")] if adjuvant else []
    working = f"{values.text(volume, 'volume')} x {_percent(share)} = {values.text(mix.product_l, 'small volume')}"
    return Worksheet("Percent solution by volume", tuple(lines), working)


def fill_parts(values: Values) -> Worksheet:
    """Product and carrier from parts."""
    volume, share = values.one("volume"), values.one("parts")
    mix = mixing.split_mix(volume, share)
    lines = (
        Line("product in the mix", share * _PERCENT, "%"),
        values.line("product", mix.product_l, "small volume"),
        values.line("carrier", mix.carrier_l, "volume"),
    )
    working = f"{values.text(volume, 'volume')} x {write_number(share)} = {values.text(mix.product_l, 'small volume')}"
    note = '"1:2" is 1 part of product to 2 parts of carrier; "1 in 50" is 1 part of product in 50 parts of the mix'
    return Worksheet("Mixing by parts", lines, working, (note,))


def fill_load(values: Values) -> Worksheet:
    """Count loads, the last one in part, and the product in each."""
    volume, capacity = values.one("volume"), values.one("capacity")
    share = values.maybe("concentration")
    if (share is None) == (values.maybe("product-rate") is None):
        raise QuantityError('--concentration: give either --concentration "2 %" or --product-rate and --rate')
    if share is None:
        share = mixing.find_concentration(values.one("product-rate"), values.one("rate"))
    elif values.maybe("rate") is not None:
        raise QuantityError("--rate: found beside --concentration; the share of product is already given")
    loads, last_l = mixing.count_loads(volume, capacity)
    full_l = mixing.find_product_l(min(volume, capacity), share)
    lines = (
        Line("loads", loads),
        values.line("last load", last_l, "volume"),
        values.line("product in a full load", full_l, "small volume"),
        values.line("product in the last load", mixing.find_product_l(last_l, share), "small volume"),
        values.line("product in all", mixing.find_product_l(volume, share), "small volume"),
    )
    counted = f"{loads} load" if loads == 1 else f"{loads} loads"
    working = f"{values.text(volume, 'volume')} / {values.text(capacity, 'volume')} = {write_number(volume / capacity)}"
    full = values.text(min(volume, capacity), "volume")
    working += f", so {counted}; {full} x {_percent(share)} = {values.text(full_l, 'small volume')}"
    return Worksheet("Loads", lines, working)


def fill_dose(values: Values) -> Worksheet:
    """Dose on the ground, and the ceiling for a limit."""
    rate, share, strength = values.one("rate"), values.one("concentration"), values.one("strength")
    dose = mixing.find_dose_kg_per_ha(rate, share, strength)
    lines = [values.line("dose on the treated ground", dose, "dose")]
    working = f"{values.text(rate, 'rate')} x {_percent(share)} x {values.text(strength, 'strength')} = "
    notes: tuple[str, ...] = ()
    limit = values.maybe("limit")
    if limit is not None:
        ceiling = mixing.find_ceiling_concentration(limit, rate, strength)
        lines.append(Line("most product in the mix at this spray volume", ceiling * _PERCENT, "%"))
        over = dose > limit * (1 + stems.CEILING_SLACK)
        notes = (f"over the limit of {values.text(limit, 'dose')}: do not mix this",) if over else ()
    return Worksheet("Dose on the ground", tuple(lines), working + values.text(dose, "dose"), notes)


def fill_rate_check(values: Values) -> Worksheet:
    """Whether a stated rate agrees with product x strength."""
    check = mixing.check_rate(values.one("product-rate"), values.one("strength"), values.one("stated"))
    lines = (
        values.line("product x strength", check.worked_out_kg_per_ha, "dose"),
        values.line("stated", check.stated_kg_per_ha, "dose"),
        Line("stated / worked out", check.ratio),
    )
    working = f"{values.text(values.one('product-rate'), 'rate')} x {values.text(values.one('strength'), 'strength')}"
    return Worksheet("Rate check", lines, f"{working} = {lines[0].value:.5g} {lines[0].unit}", (check.message,))


def fill_ae(values: Values) -> Worksheet:
    """Active ingredient to acid equivalent and back."""
    ratio, how = _find_ratio(values)
    lines = [Line("acid in one weight of the compound (ae/ai)", ratio)]
    working = how
    strength_ai, strength_ae = values.maybe("ai"), values.maybe("ae")
    if strength_ai is not None and strength_ae is not None:
        raise QuantityError("--ai: give either --ai or --ae, the other one is worked out")
    if strength_ai is not None:
        strength_ae = acid_equivalent.convert_ai_to_ae(strength_ai, ratio)
        lines.append(values.line("acid equivalent", strength_ae, "strength"))
        working += f"; {values.text(strength_ai, 'strength')} ai x {write_number(ratio)} = "
        working += f"{values.text(strength_ae, 'strength')} ae"
    elif strength_ae is not None:
        strength_ai = acid_equivalent.convert_ae_to_ai(strength_ae, ratio)
        lines.append(values.line("active ingredient", strength_ai, "strength"))
        working += f"; {values.text(strength_ae, 'strength')} ae / {write_number(ratio)} = "
        working += f"{values.text(strength_ai, 'strength')} ai"
    return Worksheet("Acid equivalent", tuple(lines), working)


def _find_ratio(values: Values) -> tuple[float, str]:
    """Return the acid ratio and how it was found: stated, by names, or by formulae."""
    stated = values.maybe("ratio")
    texts = values.texts
    given = [stated is not None, "active" in texts or "salt" in texts, "acid" in texts or "compound" in texts]
    if given.count(True) != 1:
        raise QuantityError('--ratio: give one way: --ratio "74.1 %", or --active and --salt, or --acid and --compound')
    if stated is not None:
        return acid_equivalent.check_ratio(stated), f"ratio {write_number(stated)} as stated"
    names = ("active", "salt") if given[1] else ("acid", "compound")
    for name in names:
        if name not in texts:
            raise QuantityError(f"--{name}: missing; --{names[0]} and --{names[1]} go together")
    if given[1]:
        ratio = acid_equivalent.find_ratio(texts["active"], texts["salt"])
        return ratio, f"acid / {texts['salt']} of {texts['active']} = {write_number(ratio)}"
    weights = [acid_equivalent.weigh_formula(texts[name]) for name in names]
    ratio = acid_equivalent.find_acid_ratio(texts["acid"], texts["compound"])
    return ratio, f"{write_number(weights[0])} / {write_number(weights[1])} g/mol = {write_number(ratio)}"


def fill_injection(values: Values) -> Worksheet:
    """Cuts and mix for stems of one diameter."""
    diameter, count = values.one("diameter"), values.maybe("stems") or 1.0
    spacing = values.maybe("spacing")
    per_diameter = values.maybe("per-diameter")
    if spacing is not None and per_diameter is not None:
        raise QuantityError("--spacing: give either --per-diameter or --spacing, not both")
    usual = spacing is None and per_diameter is None
    if usual:
        per_diameter = stems.USUAL_CUT_PER_DIAMETER_M
    cuts = int(stems.count_cuts(diameter, per_diameter_m=per_diameter, spacing_m=spacing))
    dose_l = values.one("dose-per-cut")
    total_l = float(stems.find_injection_dose_l(cuts * count, dose_l))
    lines = (
        Line("cuts per stem", cuts),
        Line("cuts in all", cuts * count),
        values.line("mix per stem", cuts * dose_l, "cut dose"),
        values.line("mix in all", total_l, "cut dose"),
    )
    if spacing is not None:
        sizes = (math.pi * diameter, spacing)
        rule = "around the stem / spacing"
    else:
        sizes = (diameter, per_diameter or stems.USUAL_CUT_PER_DIAMETER_M)
        rule = "diameter / step"
    ratio = " / ".join(values.text(size, "short length") for size in sizes)
    working = f"{rule}: {ratio}, rounded up = {cuts} cuts; {cuts} x {write_number(count)} stems x "
    working += f"{values.text(dose_l, 'cut dose')} = {values.text(total_l, 'cut dose')}"
    note = ("one cut for every 3 in of diameter: common practice, no source",) if usual else ()
    return Worksheet("Stem injection", lines, working, note)
