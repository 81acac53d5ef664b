"""In: nothing. Out: times around the treating itself where the user gives none, each with its source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

_INVENTED: Final = "invented default, no source: put in your own"


@dataclass(frozen=True)
class Default:
    """What is taken where ``[time]`` does not say: size in SI units, unit of the size, and where it comes from."""

    size: float
    unit: str
    source: str


#: Used only where the operations file has a ``[time]`` table; without one the terms are not counted at all.
DEFAULTS: Final = {
    "day_s": Default(8 * 3600.0, "s", _INVENTED),
    "travel_s": Default(40 * 60.0, "s", _INVENTED),
    "breaks_s": Default(30 * 60.0, "s", _INVENTED),
    "records_s": Default(6 * 60.0, "s", _INVENTED),
    "mixing_s": Default(6 * 60.0, "s", _INVENTED),
    "cleaning_s": Default(10 * 60.0, "s", _INVENTED),
    "cleaning_dirty_s": Default(20 * 60.0, "s", _INVENTED),
    "search_ha_per_s": Default(1.0 / 3600, "ha/s", _INVENTED),
    "flagging_m_per_s": Default(0.4, "m/s", _INVENTED),
    "terrain_factor": Default(1.3, "", _INVENTED),
}
