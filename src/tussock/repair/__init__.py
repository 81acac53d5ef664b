"""In: layers as drawn. Out: sound outlines and values, overlaps, findings."""

from tussock.repair.layers import repair_layers

__all__ = ["repair_layers"]
