"""In: what a calibration run measures (catch, course, time, flow). Out: spray volume [L/ha], seconds, areas, lengths.

The constants of the trade (5940, 495, 600, 40.8) are not typed in: they follow from the definitions of the units.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import QuantityError
from tussock.base.units import ACRE_M2, FLUID_OUNCE_L, GALLON_L, HECTARE_M2, parse_quantity

Amount = TypeVar("Amount", float, NDArray[np.float64])

_ACRE_HA: Final = ACRE_M2 / HECTARE_M2


def _check_positive(size: float, name: str, unit: str) -> None:
    if not (math.isfinite(size) and size > 0):
        raise QuantityError(f"{name} {size:g} {unit}; it must be more than zero")


def find_spray_volume_l_per_ha(catch_l: float, plot_m2: float) -> float:
    """Return the spray volume [L/ha] from what was sprayed or caught [L] over a plot [m2].

    Raises
    ------
    QuantityError
        Plot not more than zero.
    """
    _check_positive(plot_m2, "plot", "m2")
    return catch_l / plot_m2 * HECTARE_M2


def find_matching_plot_m2(catch_unit_l: float, rate_unit_l_per_ha: float) -> float:
    """Return the plot [m2] on which one unit caught means one unit of spray volume.

    One fluid ounce for one gallon per acre gives 1/128 acre, 43560/128 = 340.3125 ft2; one litre for 1000 L/ha
    gives 10 m2.

    Parameters
    ----------
    catch_unit_l
        Unit of the catch [L].
    rate_unit_l_per_ha
        Unit of the spray volume [L/ha].
    """
    _check_positive(rate_unit_l_per_ha, "unit of the spray volume", "L/ha")
    return catch_unit_l / rate_unit_l_per_ha * HECTARE_M2


def find_fl_oz_plot_m2() -> float:
    """Return the plot [m2] of the 1/128 acre method: fluid ounces caught read as gallons per acre."""
    return find_matching_plot_m2(FLUID_OUNCE_L, GALLON_L / _ACRE_HA)


def find_course_m(plot_m2: float, swath_m: float) -> float:
    """Return the length of a course [m] that covers a plot [m2] with one swath [m]."""
    _check_positive(swath_m, "swath", "m")
    return plot_m2 / swath_m


def find_boom_l_per_ha(flow_l_per_s: float, speed_m_per_s: float, spacing_m: float) -> float:
    """Return the spray volume of a boom [L/ha].

    Parameters
    ----------
    flow_l_per_s
        Flow of one nozzle [L/s] with its spacing, or of the whole boom with its width.
    speed_m_per_s
        Ground speed [m/s].
    spacing_m
        Distance between nozzles [m], or swath of the whole boom.

    Returns
    -------
    float
        flow / (speed x spacing) [L/ha].
    """
    _check_positive(speed_m_per_s, "speed", "m/s")
    _check_positive(spacing_m, "spacing", "m")
    return flow_l_per_s / (speed_m_per_s * spacing_m) * HECTARE_M2


def find_boom_flow_l_per_s(rate_l_per_ha: float, speed_m_per_s: float, spacing_m: float) -> float:
    """Return the flow per nozzle [L/s] that gives a spray volume [L/ha] at a speed [m/s] and spacing [m]."""
    return rate_l_per_ha / HECTARE_M2 * speed_m_per_s * spacing_m


def find_boom_constant(flow_unit: str, speed_unit: str, width_unit: str, rate_unit: str) -> float:
    """Return the constant of "rate = constant x flow / (speed x width)" for four units, from their definitions.

    Examples
    --------
    >>> round(find_boom_constant("gal/min", "mi/hour", "in", "gal/acre"), 9)
    5940.0
    >>> round(find_boom_constant("gal/min", "mi/hour", "ft", "gal/acre"), 9)
    495.0
    >>> round(find_boom_constant("L/min", "km/hour", "m", "L/ha"), 9)
    600.0
    """
    rate = find_boom_l_per_ha(
        parse_quantity(f"1 {flow_unit}", "L/s"),
        parse_quantity(f"1 {speed_unit}", "m/s"),
        parse_quantity(f"1 {width_unit}", "m"),
    )
    return rate / parse_quantity(f"1 {rate_unit}", "L/ha")


def find_run_constant(course_m: float, catch_unit: str, width_unit: str, rate_unit: str) -> float:
    """Return the constant of "rate = constant x catch / width" for a course [m], from the definitions of the units.

    A course of 660 ft with gallons and feet gives 66; one of 100 ft with fluid ounces and inches 40.8375.
    """
    plot_m2 = course_m * parse_quantity(f"1 {width_unit}", "m")
    rate = find_spray_volume_l_per_ha(parse_quantity(f"1 {catch_unit}", "L"), plot_m2)
    return rate / parse_quantity(f"1 {rate_unit}", "L/ha")


def find_travel_s(course_m: float, speed_m_per_s: float) -> float:
    """Return the time over a course [s]: length [m] / speed [m/s]."""
    _check_positive(speed_m_per_s, "speed", "m/s")
    return course_m / speed_m_per_s


def find_speed_m_per_s(course_m: float, travel_s: float) -> float:
    """Return the speed [m/s] over a course [m] in a time [s]."""
    _check_positive(travel_s, "time", "s")
    return course_m / travel_s


def average_runs(runs_s: Sequence[float]) -> float:
    """Return the mean of several timed runs [s].

    Raises
    ------
    QuantityError
        No runs, or one that took no time.
    """
    if not runs_s:
        raise QuantityError("no timed runs; give at least one")
    for run in runs_s:
        _check_positive(run, "run", "s")
    return math.fsum(runs_s) / len(runs_s)


def find_spray_seconds(area_m2: Amount, rate_l_per_ha: float, flow_l_per_s: float) -> Amount:
    """Return how long to spray a piece of ground [s]: area x spray volume / flow.

    Parameters
    ----------
    area_m2
        Ground to be treated [m2].
    rate_l_per_ha
        Spray volume [L/ha].
    flow_l_per_s
        Output of the nozzle [L/s].

    Examples
    --------
    700 mL/min, 5 gal/acre, 10 ft x 20 ft (common practice, no source):

    >>> round(find_spray_seconds(200 * 0.3048**2, parse_quantity("5 gal/acre", "L/ha"), 0.7 / 60), 3)
    7.449
    """
    _check_positive(flow_l_per_s, "flow", "L/s")
    return area_m2 * (rate_l_per_ha / HECTARE_M2 / flow_l_per_s)


def find_sprayed_area_m2(spray_s: Amount, rate_l_per_ha: float, flow_l_per_s: float) -> Amount:
    """Return the ground [m2] that a time of spraying [s] covers at a spray volume [L/ha] and flow [L/s]."""
    _check_positive(rate_l_per_ha, "spray volume", "L/ha")
    return spray_s * (flow_l_per_s / rate_l_per_ha * HECTARE_M2)


def find_timed_rate_l_per_ha(spray_s: float, area_m2: float, flow_l_per_s: float) -> float:
    """Return the spray volume [L/ha] that a time of spraying [s] put on a piece of ground [m2] at a flow [L/s]."""
    return find_spray_volume_l_per_ha(spray_s * flow_l_per_s, area_m2)


def find_flow_l_per_s(catch_l: float, catch_s: float) -> float:
    """Return the output of a nozzle [L/s] from a catch [L] in a time [s]."""
    _check_positive(catch_s, "time", "s")
    return catch_l / catch_s


def find_band_share(band_m: float, row_m: float) -> float:
    """Return the share of the field that bands of one width [m] cover in rows so far apart [m].

    Raises
    ------
    QuantityError
        A width that is not more than zero, or bands that are wider than the rows are apart.
    """
    _check_positive(band_m, "band", "m")
    _check_positive(row_m, "row spacing", "m")
    if band_m > row_m:
        raise QuantityError(f"a band of {band_m:g} m in rows {row_m:g} m apart; bands that overlap are a broadcast")
    return band_m / row_m


def find_plants_per_ha(row_m: float, plant_m: float) -> float:
    """Return plants (trees) per hectare from row spacing [m] and spacing in the row [m]."""
    _check_positive(row_m, "row spacing", "m")
    _check_positive(plant_m, "plant spacing", "m")
    return HECTARE_M2 / (row_m * plant_m)


def find_plants_on_course(course_m: float, plant_m: float) -> float:
    """Return how many plant spacings [m] fit on a course [m]."""
    _check_positive(plant_m, "plant spacing", "m")
    return course_m / plant_m


def find_square_side_m(area_m2: float) -> float:
    """Return the side [m] of a square plot of an area [m2]."""
    _check_positive(area_m2, "area", "m2")
    return math.sqrt(area_m2)


def find_circle_diameter_m(area_m2: float) -> float:
    """Return the diameter [m] of a round plot of an area [m2]."""
    _check_positive(area_m2, "area", "m2")
    return 2 * math.sqrt(area_m2 / math.pi)


def find_water_volume_l(area_m2: float, depth_m: float) -> float:
    """Return the volume of standing water [L] from its surface [m2] and mean depth [m]."""
    return area_m2 * depth_m * 1000.0
