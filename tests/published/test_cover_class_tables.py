"""Cover classes and their midpoints.

[BLM] BLM/NRCS interagency. Sampling Vegetation Attributes, cover-board Table 2, p. 88.
    https://www.yumpu.com/en/document/view/16161188/sampling-vegetation-attributes-new-mexico-nrcs-us-/95
[Seneca] Seneca II Mine vegetation baseline report (Colorado DRMS file 762608 p. 8) reprinting Daubenmire 1959
    classes. https://dnrweblink.state.co.us/DRMSSearch/0/doc/762608/Page15.aspx
"""

from __future__ import annotations

import pytest

from tussock.trade.cover import read_cover_column

CASES = [
    # BLM, all eight rows of Table 2: class, range of coverage, midpoint
    ("blm-nrcs-cover-board", "0", 0, 0.0, 0),
    ("blm-nrcs-cover-board", "T", 0, 0.5, 1),
    ("blm-nrcs-cover-board", "1", 1, 3.0, 5),
    ("blm-nrcs-cover-board", "2", 5, 15.0, 25),
    ("blm-nrcs-cover-board", "3", 25, 37.5, 50),
    ("blm-nrcs-cover-board", "4", 50, 62.5, 75),
    ("blm-nrcs-cover-board", "5", 75, 85.0, 95),
    ("blm-nrcs-cover-board", "6", 95, 97.5, 100),
    # Seneca, the two classes read
    ("daubenmire-1959", "1", 0, 2.5, 5),
    ("daubenmire-1959", "5", 75, 85.0, 95),
]


@pytest.mark.parametrize(("scheme", "code", "low", "midpoint", "high"), CASES)
def test_class_gives_printed_range_and_midpoint(scheme, code, low, midpoint, high):
    (entry,) = read_cover_column([code], scheme=scheme)
    assert [entry.low, entry.likely, entry.high] == pytest.approx([low / 100, midpoint / 100, high / 100])
    assert not entry.refused


def test_trace_in_words_is_class_t():
    word, code = (read_cover_column([text], scheme="blm-nrcs-cover-board")[0] for text in ("trace", "T"))
    assert (word.low, word.likely, word.high) == (code.low, code.likely, code.high)
