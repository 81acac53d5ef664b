"""In: units, treatments, products. Out: every candidate judged with its reason, one chosen, its amounts."""

from tussock.prescribe.units import prescribe_units

__all__ = ["prescribe_units"]
