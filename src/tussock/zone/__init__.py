"""In: rules and measured patches. Out: patches cut into treatment units, each with the setbacks in force."""

from tussock.zone.patches import zone_patches

__all__ = ["zone_patches"]
