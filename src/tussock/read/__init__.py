"""In: site file, layers, catalogs. Out: frozen records and tables with known columns."""

from tussock.read.approval import add_approval
from tussock.read.site import read_site

__all__ = ["add_approval", "read_site"]
