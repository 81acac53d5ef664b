"""In: a plan and its files. Out: run.json: what went in, by which rules and versions, and what came out."""

from __future__ import annotations

import datetime as dt
import json
import math
import platform
from collections.abc import Mapping
from dataclasses import asdict
from importlib import metadata
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any, Final

from tussock.base.records import Record
from tussock.base.sources import hash_file
from tussock.base.stages import Document, PlanTables, Site
from tussock.deliver.cautions import BLANKS, NOT_READY, list_cautions
from tussock.deliver.geopackage import find_renames
from tussock.deliver.tables import cell_values

if TYPE_CHECKING:
    import pandas as pd

RUN_FILE: Final = "run.json"
#: Which tables, columns and files a plan folder has; it goes up when a reader of the folder has to know of a change.
FORMAT: Final = 1

_LIBRARIES: Final = (
    "branca",
    "folium",
    "geopandas",
    "jinja2",
    "matplotlib",
    "numpy",
    "pandas",
    "pint",
    "pyarrow",
    "pydantic",
    "pyogrio",
    "pyproj",
    "reportlab",
    "shapely",
    "xlsxwriter",
)


def write_run_file(plan: PlanTables, path: Path, left_out: Mapping[str, str]) -> None:
    """Write ``run.json``; no clock time and no folder of this machine goes into it.

    Parameters
    ----------
    plan
        What was written.
    path
        File to write; every other file beside it is listed with its SHA-256.
    left_out
        Name of each file that was not written, and why.
    """
    run = describe_run(plan, path.parent, left_out)
    text = json.dumps(run, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    path.write_bytes(text.encode() + b"\n")


def describe_run(plan: PlanTables, folder: Path, left_out: Mapping[str, str]) -> dict[str, Any]:
    """Return what ``run.json`` holds.

    Parameters
    ----------
    plan
        What was written.
    folder
        Folder of the other files.
    left_out
        Name of each file that was not written, and why.

    Returns
    -------
    dict
        ``format, site, season, units, tussock, versions, inputs, documents, options, layers, crs, rulesets, outputs,
        findings, left_out, renamed_columns, cautions, not_ready``. ``documents`` are in the order they were read: rules
        of an earlier file stand first.
    """
    from tussock import __version__

    site = plan.site
    return {
        "format": FORMAT,
        "site": site.name,
        "season": site.season.to_json(),
        "units": site.options.units,
        "tussock": __version__,
        "versions": list_versions(),
        "inputs": _list_inputs(site),
        "documents": [
            {"name": _base_name(item.name), "role": item.role, "content": _content(item)}
            for item in site.documents
            if item.content is not None
        ],
        "options": to_json(asdict(site.options)),
        "layers": _describe_layers(plan),
        "crs": _describe_crs(plan),
        "rulesets": [to_json(ruleset.ruleset.model_dump()) for ruleset in site.rulesets],
        "outputs": hash_files(folder),
        "findings": list_rows(plan.findings),
        "left_out": dict(left_out),
        "renamed_columns": [asdict(rename) for rename in find_renames(plan)],
        "cautions": list_cautions(plan),
        "not_ready": {"word": NOT_READY, "blanks": list(BLANKS)},
    }


def _list_inputs(site: Site) -> list[dict[str, Any]]:
    """Return name, role and SHA-256 of every file that went in, of a file in parts that of each part too."""
    return [
        {"name": _base_name(item.name), "role": item.role, "sha256": item.sha256}
        | ({"parts": dict(item.parts)} if item.parts else {})
        for item in site.documents
    ]


def list_versions() -> dict[str, str]:
    """Return the versions of Python, of the libraries at hand, and of GDAL, GEOS and PROJ below them."""
    import pyogrio
    import pyproj
    import shapely

    versions = {
        "python": platform.python_version(),
        "gdal": pyogrio.__gdal_version_string__,
        "geos": shapely.geos_version_string,
        "proj": pyproj.proj_version_str,
    }
    for name in _LIBRARIES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue  # an extra that is not installed
    return versions


def _describe_layers(plan: PlanTables) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "path": _base_name(layer.path),
            "file_layer": layer.file_layer,
            "crs": None if layer.frame.crs is None else layer.frame.crs.to_string(),
            "rows": len(layer.frame),
            "accuracy_m": layer.accuracy_m,
            "datum": layer.datum,
            "default_width_m": dict(layer.default_width_m),
        }
        for name, layer in plan.site.layers.items()
    ]


def _describe_crs(plan: PlanTables) -> dict[str, Any]:
    delivered = plan.patches.crs
    return {**asdict(plan.crs), "delivered": delivered.to_string(), "delivered_name": delivered.name}


def _content(document: Document) -> Any:
    content = to_json(document.content)
    return _hide_folders(content) if document.role == "site" else content


def _hide_folders(value: Any) -> Any:
    """Return a site file's content with the file name in place of a path from the root of a machine."""
    if isinstance(value, dict):
        return {key: _hide_folders(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_hide_folders(item) for item in value]
    return _base_name(value) if isinstance(value, str) else value


def _base_name(name: str) -> str:
    """Return a relative path as it is, of an absolute one the file name."""
    for kind in (PurePosixPath, PureWindowsPath):
        if kind(name).is_absolute():
            return kind(name).name
    return name


def hash_files(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of a folder, ``run.json`` apart."""
    return {item.name: hash_file(item) for item in sorted(folder.iterdir()) if item.is_file() and item.name != RUN_FILE}


def list_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table without geometry as one mapping for each row; missing values are None."""
    cells = {str(name): cell_values(frame[name]) for name in frame.columns}
    return [dict(zip(cells, row, strict=True)) for row in zip(*cells.values(), strict=True)]


def to_json(value: Any) -> Any:
    """Return a value of a TOML file or a record as JSON holds it: dates as ISO text, a number that is none as text."""
    if isinstance(value, Record):
        return to_json(value.model_dump())
    if isinstance(value, Mapping):
        return {str(key): to_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_json(item) for item in value]
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value
