"""Fixtures for whole plans."""

import pytest

from site_factory import Sites


@pytest.fixture
def sites(tmp_path):
    return Sites(tmp_path)
