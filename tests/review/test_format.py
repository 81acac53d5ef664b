"""The format of a plan folder: an older and a newer one are told apart, in one clear finding."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tussock.deliver.runfile import FORMAT
from tussock.review.folder import review_folder
from tussock.review.loading import KNOWN_FORMAT


def write_run(folder: Path, **content: object) -> Path:
    """A folder with nothing but a run file."""
    run = {"tussock": "0.1.0", "documents": [], "inputs": [], "outputs": {}, "crs": {}} | content
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    return folder


def test_plans_are_written_in_the_format_that_is_read() -> None:
    assert FORMAT == KNOWN_FORMAT


@pytest.mark.parametrize(
    ("content", "found", "do"),
    [
        ({}, "a plan of version 0.1.0, older than format 1", "make the plan anew"),
        ({"format": 0}, "a plan of version 0.1.0, format 0", "make the plan anew"),
        ({"format": 2, "tussock": "3.0.0"}, "a plan of version 3.0.0, format 2, newer than format 1", "review it with"),
        ({"format": "1"}, "format '1'", "make the plan anew"),
        ({"format": True}, "format True", "make the plan anew"),
    ],
)
def test_another_format_is_one_finding_and_nothing_else_is_checked(
    tmp_path: Path, content: dict[str, object], found: str, do: str
) -> None:
    table = review_folder(write_run(tmp_path, **content), None)
    bad = table[table["level"] == "violation"]
    assert len(bad) == 1
    assert found in bad["found"].iloc[0]
    assert do in bad["expected"].iloc[0]
    assert set(table["check"]) == {"files"}
