"""A number of a layer that cannot be is shown as it stands there."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tussock.repair.values import read_numbers


@pytest.mark.parametrize(
    ("column", "shown"),
    [(np.array([-3.0, 1.0]), "-3.0"), (np.array([-3, 1]), "-3"), (["tall", "2"], "'tall'"), ([np.inf, 1.0], "inf")],
)
def test_fault_shows_the_cell(column, shown):
    faults = []
    frame = pd.DataFrame({"slope_pct": column})
    read_numbers(frame, {"slope_pct": 1.0}, "patches.gpkg", ["row 1", "row 2"], faults, above=False)
    assert [(fault.what, fault.found) for fault in faults] == [('row 1, column "slope_pct"', shown)]
