"""A plan falsified from its map on, whose hashes and figures agree: only the files of the site tell."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import shapely

import tussock
from tussock.review.catalog import read_catalog
from tussock.review.evidence import Evidence
from tussock.review.folder import load_folder
from tussock.review.inputs import check_layers

SITE = tussock.sample_path()


def load(folder: Path) -> Evidence:
    delivered = load_folder(folder)
    return Evidence(delivered, read_catalog(delivered.run["documents"]))


def find(evidence: Evidence, site: Path = SITE) -> list[tuple[str, str]]:
    """Where and what of each violation and warning."""
    return [(row.where, row.found) for row in check_layers(evidence, site) if row.level != "info"]


def change(evidence: Evidence, layer: str, edit) -> None:
    """Change a layer of the plan as it was loaded."""
    frame = evidence.delivered.layers[layer].copy()
    evidence.delivered.layers[layer] = edit(frame)


def shift(row: int, east: float):
    def edit(frame):
        frame.loc[frame.index[row], "geometry"] = shapely.affinity.translate(frame.geometry.iloc[row], east, 0)
        return frame

    return edit


def put(row: int, column: str, value):
    def edit(frame):
        frame.loc[frame.index[row], column] = value
        return frame

    return edit


def test_a_plan_as_made_finds_nothing(sample_folder: Path) -> None:
    assert find(load(sample_folder)) == []


@pytest.mark.parametrize("layer", ["patches", "water", "receptors"])
def test_a_feature_moved_by_a_foot_is_found(sample_folder: Path, layer: str) -> None:
    evidence = load(sample_folder)
    change(evidence, layer, shift(3, 0.3048))
    found = find(evidence)
    assert all(where.startswith(f"plan.gpkg, {layer}") for where, what in found if what.startswith("a vertex"))
    assert {"a vertex not in the plan", "a vertex not in the file of the site"} <= {what for _, what in found}


@pytest.mark.parametrize("layer", ["water", "receptors"])
def test_a_feature_taken_out_is_found(sample_folder: Path, layer: str) -> None:
    evidence = load(sample_folder)
    count = len(evidence.delivered.layers[layer])
    change(evidence, layer, lambda frame: frame.drop(frame.index[2]))
    found = find(evidence)
    assert ("a vertex not in the plan") in {what for _, what in found}
    assert (f"plan.gpkg, {layer}", f"{count - 1} rows") in found


def test_a_vertex_pulled_out_of_a_shore_is_found(sample_folder: Path) -> None:
    """A corner of a pond moved inwards by half a metre: everything else stands."""
    evidence = load(sample_folder)

    def edit(frame):
        place = int(np.flatnonzero(frame.geometry.geom_type == "Polygon")[0])
        ring = np.array(frame.geometry.iloc[place].exterior.coords)
        middle = np.array(frame.geometry.iloc[place].centroid.coords[0])
        inward = middle - ring[5]
        ring[5] += 0.5 * inward / np.hypot(*inward)
        frame.loc[frame.index[place], "geometry"] = shapely.Polygon(ring)
        return frame

    change(evidence, "water", edit)
    assert len(find(evidence)) >= 1


@pytest.mark.parametrize(
    ("layer", "column", "value"),
    [("water", "state", "dry"), ("water", "kind", "ditch"), ("water", "width_ft", 1.0), ("patches", "species", "fern")],
)
def test_a_word_or_a_width_changed_is_found(sample_folder: Path, layer: str, column: str, value) -> None:
    evidence = load(sample_folder)
    frame = evidence.delivered.layers[layer]
    known = frame[column].notna() & (frame[column].astype(str) != str(value)) & (frame[column].astype(str) != "")
    row = int(np.flatnonzero(known)[0])
    change(evidence, layer, put(row, column, value))
    found = find(evidence)
    assert [where for where, _ in found] == [f"plan.gpkg, {layer}, row {row + 1}, {column}"]


def test_a_layer_that_cannot_be_read_is_said(sample_folder: Path, tmp_path: Path) -> None:
    shutil.copy(SITE, tmp_path / "site.toml")
    (tmp_path / "site.gpkg").write_bytes(b"no database")
    found = find(load(sample_folder), tmp_path / "site.toml")
    said = "not compared: a file that cannot be opened as GeoPackage: it begins with b'no database'"
    assert [what for _, what in found] == [said] * 3
