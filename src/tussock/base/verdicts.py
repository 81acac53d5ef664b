"""In: nothing. Out: the words of every verdict, so that plan, outputs and review say the same."""

from __future__ import annotations

from typing import Final

#: Verdicts of a unit and a setback. What a plan can know is that it meets the loaded rules as mapped, no more.
MEETS: Final = "meets the loaded rules as mapped"
FIELD_CHECK: Final = "within error: field check"
FAILS: Final = "does not meet"
NOT_APPLICABLE: Final = "not applicable"
TO_DO: Final = "to do before work"
NOT_CHECKED: Final = "not checked: draft rule set"

#: Verdicts of a distance alone, held against the positional error of what it was measured between.
CLEAR: Final = "clear"
WITHIN_ERROR: Final = "within error"
INSIDE: Final = "inside"

#: How a treatment reaches a unit.
ON_FOOT: Final = "on foot"
BY_BOAT: Final = "by boat"
OUT_OF_REACH: Final = "out of reach"
