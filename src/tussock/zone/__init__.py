"""In: rules and measured patches. Out: patches cut into treatment units, each with the setbacks in force."""

from tussock.zone.partitions import LayerFile, ZoneFile, cut_files
from tussock.zone.patches import zone_patches

__all__ = ["LayerFile", "ZoneFile", "cut_files", "zone_patches"]
