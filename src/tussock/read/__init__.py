"""In: site file, layers, catalogs. Out: frozen records and tables with known columns."""

from tussock.read.site import read_site

__all__ = ["read_site"]
