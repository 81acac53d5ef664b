"""A large delivered plan without planning it: the sample plan, repeated around the Earth.

Turning a plan about the axis of the Earth changes no distance and no area on the ellipsoid, so every copy is as true as
the first. Ids get the number of their copy.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from tussock.review.delivered import Delivered

#: Copies stand this far apart [degrees of longitude]: further than any feature of a copy from its units.
APART_DEG = 0.12


def repeat_plan(delivered: Delivered, copies: int) -> Delivered:
    """Return a plan of many copies of another, in degrees."""
    layers = {name: _repeat_layer(frame, copies) for name, frame in delivered.layers.items()}
    added = ("season", "permits")
    tables = {name: _repeat_table(frame, copies) for name, frame in delivered.tables.items() if name not in added}
    run = copy.deepcopy(dict(delivered.run))
    run["crs"] |= {"delivered": "EPSG:4326", "cells": copies}
    tables["season"] = _spread(_add_up(delivered.tables["season"], copies), copies)
    tables["permits"] = _add_up(delivered.tables["permits"], copies)
    products = _add_up(delivered.csv["product_budget.csv"], copies)
    papers = ("crew_sheets.", "proposal.", "record.", "bid_schedule.", "season.")  # of the first copy alone
    hashes = {name: digest for name, digest in delivered.hashes.items() if not name.startswith(papers)}
    return replace(
        delivered,
        hashes=hashes,
        run=run,
        layers=layers,
        tables=tables,
        csv={"product_budget.csv": products},
        sheets=None,
        texts={},
    )


def _repeat_layer(frame: gpd.GeoDataFrame, copies: int) -> gpd.GeoDataFrame:
    degrees = frame.to_crs(4326)
    parts = []
    for number in range(copies):
        shift = number * APART_DEG
        moved = shapely.transform(
            np.asarray(degrees.geometry.array, dtype=object), lambda xy, shift=shift: xy + np.array([shift, 0.0])
        )
        parts.append(_rename(degrees.set_geometry(moved, crs=4326), number))
    return pd.concat(parts, ignore_index=True)


def _repeat_table(frame: pd.DataFrame, copies: int) -> pd.DataFrame:
    parts = []
    for number in range(copies):
        part = _rename(frame, number)
        for column in [name for name in ("from_lon", "to_lon") if name in part.columns]:
            part[column] = part[column] + number * APART_DEG
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _rename(frame: Any, number: int) -> Any:
    renamed = frame.copy()
    for column in [name for name in ("patch_id", "unit_id", "patch_a", "patch_b") if name in frame.columns]:
        renamed[column] = f"{number}/" + renamed[column].astype(str)
    if "area_counted_with" in frame.columns:
        counted = renamed["area_counted_with"].fillna("")
        renamed["area_counted_with"] = np.where(counted == "", "", f"{number}/" + counted)
    return renamed


def _add_up(frame: pd.DataFrame, copies: int) -> pd.DataFrame:
    summed = frame.copy()
    for column in summed.columns:
        numbers = pd.to_numeric(summed[column], errors="coerce")
        if numbers.notna().any() and column not in ("unit", "item"):
            summed[column] = numbers * copies
    return summed


def _spread(season: pd.DataFrame, copies: int) -> pd.DataFrame:
    """Departures of patches are added in quadrature: those of n copies grow with the root of n."""
    spread = season.copy()
    for end in ("low", "high"):
        spread[end] = season["likely"] + (season[end] - season["likely"]) / np.sqrt(copies)
    return spread
