"""In: a raster of the user's own (GeoTIFF or MBTiles). Out: its pictures as text to inline, as a background of the map.

A background is only looked at: it never takes part in a distance. MBTiles (tiles in spherical Mercator, rows counted
from the south) are read as the open specification 1.3 has them; a GeoTIFF is warped to the same projection.
"""

from __future__ import annotations

import base64
import math
import sqlite3
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError, MissingExtraError, MissingInputError
from tussock.base.sources import open_geotiff
from tussock.deliver.webmap_geometry import Frame

#: Most bytes of pictures in one map. A phone opens a file of this size; one of several hundred megabytes it does not.
LIMIT_BYTES: Final = 25_000_000
#: Most pixels on the longer side of a warped GeoTIFF.
MOST_PIXELS: Final = 3000
_KINDS: Final = {b"\x89PNG": "png", b"\xff\xd8\xff": "jpeg", b"RIFF": "webp"}
Base = dict[str, Any]


def read_base(path: Path, frame: Frame) -> Base:
    """Return the part of a raster that a map shows.

    Parameters
    ----------
    path
        ``.mbtiles`` with PNG, JPEG or WebP tiles, or ``.tif`` / ``.tiff`` with a CRS (needs the package rasterio).
    frame
        Part of the Earth that the map shows.

    Returns
    -------
    dict
        ``name``, and ``tiles`` (``"zoom/column/row"``, row from the north: data address) with ``zooms`` (least, most),
        or ``image`` (data address) with ``bounds`` (south-west and north-east corner, latitude first [degrees]).

    Raises
    ------
    MissingInputError
        No such file.
    InputError
        Another format, no CRS, no picture in the frame, or more than `LIMIT_BYTES` of pictures.
    MissingExtraError
        A GeoTIFF without the package rasterio.
    """
    if not path.is_file():
        raise MissingInputError(Fault(path.name, "background", "no such file", "name a GeoTIFF or MBTiles file"))
    ending = path.suffix.casefold()
    if ending == ".mbtiles":
        return {"name": path.stem, **_read_tiles(path, frame)}
    if ending in (".tif", ".tiff"):
        return {"name": path.stem, **_read_geotiff(path, frame)}
    raise InputError(Fault(path.name, "background", f'a file "{ending}"', 'name a GeoTIFF (".tif") or ".mbtiles" file'))


# ---- MBTiles


def _read_tiles(path: Path, frame: Frame) -> Base:
    tiles: dict[str, str] = {}
    size, zooms = 0, []
    with closing(_open_tiles(path)) as connection:
        for zoom in _list_zooms(connection, path):
            level = dict(_read_level(connection, path, frame, zoom))
            own = sum(len(address) for address in level.values())
            if size + own > LIMIT_BYTES:
                break  # coarser levels stay; the page enlarges the finest of them
            if level:
                tiles.update(level)
                zooms.append(zoom)
                size += own
    if not tiles:
        raise InputError(
            Fault(
                path.name,
                "background",
                f"no tile of the site, or more than {LIMIT_BYTES / 1e6:.0f} MB of them at the coarsest zoom",
                "name a file that covers the site, or cut it out first",
            )
        )
    return {"tiles": tiles, "zooms": [zooms[0], zooms[-1]]}


def _open_tiles(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    try:
        connection.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles LIMIT 1").fetchall()
    except sqlite3.DatabaseError as error:
        connection.close()
        need = "name a file after the MBTiles specification"
        raise InputError(Fault(path.name, "background", f"no table of tiles ({error})", need)) from error
    return connection


def _list_zooms(connection: sqlite3.Connection, path: Path) -> list[int]:
    zooms = [row[0] for row in connection.execute("SELECT DISTINCT zoom_level FROM tiles ORDER BY zoom_level")]
    if not all(isinstance(zoom, int) and 0 <= zoom <= 30 for zoom in zooms):  # noqa: PLR2004  (no tile scheme goes deeper)
        raise InputError(Fault(path.name, "tiles.zoom_level", f"{zooms}", "zoom levels are whole numbers from 0 to 30"))
    return zooms


def _read_level(connection: sqlite3.Connection, path: Path, frame: Frame, zoom: int) -> Iterator[tuple[str, str]]:
    count = 2**zoom
    first, last = (math.floor((lon + 180) / 360 * count) for lon in (frame.west, frame.east))
    top, bottom = (_find_row(lat, count) for lat in (frame.north, frame.south))
    query = "SELECT tile_column, tile_row, tile_data FROM tiles WHERE zoom_level = ? AND tile_row BETWEEN ? AND ?"
    wanted = {column % count for column in range(first, min(last, first + count - 1) + 1)}
    for column, south_row, picture in connection.execute(query, (zoom, count - 1 - bottom, count - 1 - top)):
        if column in wanted:
            yield f"{zoom}/{column}/{count - 1 - south_row}", _as_address(bytes(picture), path)


def _find_row(lat: float, count: int) -> int:
    sine = math.sin(math.radians(max(-85.05, min(85.05, lat))))
    return min(count - 1, math.floor((0.5 - math.log((1 + sine) / (1 - sine)) / (4 * math.pi)) * count))


def _as_address(picture: bytes, path: Path) -> str:
    kind = next((name for start, name in _KINDS.items() if picture.startswith(start)), None)
    if kind is None:
        what = f"tiles that begin with {picture[:4]!r}"
        need = "pictures are PNG, JPEG or WebP; vector tiles are not read"
        raise InputError(Fault(path.name, "background", what, need))
    return f"data:image/{kind};base64,{base64.b64encode(picture).decode('ascii')}"


# ---- GeoTIFF


def _read_geotiff(path: Path, frame: Frame) -> Base:
    if frame.wraps:
        need = "make it an MBTiles file, whose tiles may lie on both sides"
        raise InputError(Fault(path.name, "background", "a GeoTIFF for a site across the antimeridian", need))
    with _open_geotiff(path) as source:
        if source.crs is None:
            raise InputError(Fault(path.name, "background", "no CRS", "name a GeoTIFF that says where it lies"))
        add_alpha = source.nodata is None and source.count in (1, 3)
        with _load("rasterio.vrt").WarpedVRT(source, crs="EPSG:3857", add_alpha=add_alpha) as warped:
            window, bounds = _find_window(warped, frame, path)
            shrink = max(1.0, max(window.width, window.height) / MOST_PIXELS)
            shape = (max(1, round(window.height / shrink)), max(1, round(window.width / shrink)))
            bands = warped.read(window=window, out_shape=(warped.count, *shape), masked=True)
    address = _as_address(_write_png(_as_colours(bands)), path)
    if len(address) > LIMIT_BYTES:
        what = f"a picture of {len(address) / 1e6:.0f} MB"
        need = f"at most {LIMIT_BYTES / 1e6:.0f} MB: cut it out or thin it"
        raise InputError(Fault(path.name, "background", what, need))
    return {"image": address, "bounds": bounds}


@contextmanager
def _open_geotiff(path: Path) -> Iterator[Any]:
    with ExitStack() as stack:
        try:
            source = stack.enter_context(open_geotiff(path))
        except OSError as error:  # what rasterio raises for a file that is no GeoTIFF
            raise InputError(Fault(path.name, "background", f"no raster ({error})", "name a GeoTIFF file")) from error
        yield source


def _load(name: str) -> Any:
    """Return a module of the optional raster package."""
    try:
        return import_module(name)
    except ImportError as error:
        raise MissingExtraError("a GeoTIFF background needs the package rasterio: pip install rasterio") from error


def _find_window(warped: Any, frame: Frame, path: Path) -> tuple[Any, list[list[float]]]:
    """Return the window of a raster that lies in the frame, and its corners."""
    transform_bounds, windows = _load("rasterio.warp").transform_bounds, _load("rasterio.windows")
    place = warped.transform
    box = transform_bounds("EPSG:4326", "EPSG:3857", frame.west, frame.south, frame.east, frame.north)
    try:
        whole = windows.Window(0, 0, warped.width, warped.height)
        window = windows.from_bounds(*box, transform=place).intersection(whole)
    except _load("rasterio.errors").WindowError as error:
        fault = Fault(path.name, "background", "it does not lie on the site", "name a GeoTIFF that covers the site")
        raise InputError(fault) from error
    window = window.round_offsets().round_lengths(op="ceil")
    left, top = place.c + window.col_off * place.a, place.f + window.row_off * place.e
    corners = (left, top + window.height * place.e, left + window.width * place.a, top)
    west, south, east, north = transform_bounds("EPSG:3857", "EPSG:4326", *corners)
    return window, [[south, west], [north, east]]


def _as_colours(bands: Any) -> NDArray[np.uint8]:
    """Return red, green, blue and alpha, shape (4, rows, columns); other than 8-bit values are stretched."""
    data, hidden = np.asarray(bands.data), np.ma.getmaskarray(bands).any(axis=0)
    has_alpha = len(data) in (2, 4)
    alpha = data[-1] if has_alpha else np.full(data.shape[1:], 255)
    colours = data[:3] if len(data) >= 3 else np.repeat(data[:1], 3, axis=0)  # noqa: PLR2004  (three colours)
    if colours.dtype != np.uint8:
        seen = colours[:, ~hidden & (alpha > 0)]
        low, high = np.percentile(seen, [2, 98]) if seen.size else (0.0, 1.0)
        colours = np.clip((colours - low) / max(high - low, 1e-12) * 255, 0, 255)
    shown = np.where(hidden, 0, np.where(alpha > 0, 255, 0))
    return np.concatenate([colours, shown[None]]).astype(np.uint8)


def _write_png(colours: NDArray[np.uint8]) -> bytes:
    _, rows, columns = colours.shape
    with warnings.catch_warnings():
        # a picture for a page has no place of its own
        warnings.simplefilter("ignore", _load("rasterio.errors").NotGeoreferencedWarning)
        with _load("rasterio.io").MemoryFile() as memory:
            with memory.open(driver="PNG", height=rows, width=columns, count=4, dtype="uint8") as picture:
                picture.write(colours)
            return bytes(memory.read())
