"""In: sound layers. Out: true areas, and a CRS that fits with its distortion."""

from tussock.reproject.layers import reproject_layers

__all__ = ["reproject_layers"]
