"""Fixtures for the review: the delivered sample plan, loaded once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tussock.review.delivered import Delivered
from tussock.review.loading import load_folder


@pytest.fixture(scope="session")
def delivered(sample_folder: Path) -> Delivered:
    """The delivered plan of the preserve as the review loads it; mutations make edited copies of it."""
    return load_folder(sample_folder)
