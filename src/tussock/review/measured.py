"""In: one setback and every unit. Out: how far each unit stands from the feature that binds it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import Ruleset, Setback

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Measured:
    """One setback measured against every unit.

    Attributes
    ----------
    ruleset, setback
        The rule and its set.
    anywhere
        Whether it holds on the whole site.
    meant
        Whether any feature is meant by it.
    distance_m
        To the edge of the binding feature; negative inside the width of a line; nan where nothing is meant. Shape (u,).
    required_m
        Distance that the rule asks for from that feature, shape (u,).
    half_width_m
        Half the width of that feature, shape (u,).
    owner
        Row of that feature in its layer, shape (u,).
    on
        Whether the unit stands on the feature, shape (u,).
    error_m
        Stated positional accuracy of both layers, added.
    """

    ruleset: Ruleset
    setback: Setback
    anywhere: bool
    meant: bool
    distance_m: FloatArray
    required_m: FloatArray
    half_width_m: FloatArray
    owner: IntArray
    on: BoolArray
    error_m: float

    @property
    def achieved_m(self) -> FloatArray:
        """Distance as a table shows it: never negative, 0 on the feature."""
        return np.where(self.on, 0.0, np.maximum(self.distance_m, 0.0))
