"""Fixtures for the review: the delivered sample plan, loaded once."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from tussock.review import readers
from tussock.review.delivered import Delivered
from tussock.review.loading import load_folder


@pytest.fixture(scope="session", autouse=True)
def workbooks_read_once():
    """A workbook with the same bytes is parsed once for all tests: most of them change another file of the plan."""
    read, known = readers.read_workbook, {}

    def read_once(path: Path):
        digest = hashlib.sha256(path.read_bytes()).digest()
        if digest not in known:
            known[digest] = read(path)
        return {name: list(rows) for name, rows in known[digest].items()}

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readers, "read_workbook", read_once)
        yield


@pytest.fixture(scope="session")
def delivered(sample_folder: Path) -> Delivered:
    """The delivered plan of the preserve as the review loads it; mutations make edited copies of it."""
    return load_folder(sample_folder)
