"""Tables under the names and units of the contract. Factors: NIST Handbook 44, Appendix C (international foot)."""

from __future__ import annotations

import pandas as pd
import pytest

from tussock.base import columns as c

SCHEMA = (
    c.Column("patch_id", "text", "id"),
    c.Column("area", "number", "area", c.AREA),
    c.Column("spray", "number", "liquid", c.LIQUID),
    c.Column("product", "number", "product", c.SMALL_LIQUID),
    c.Column("ae", "number", "dose", c.DOSE),
    c.Column("reach", "number", "length", c.LENGTH),
)
TABLE = pd.DataFrame(
    {
        "patch_id": ["P1"],
        "area_m2": [4046.8564224],
        "spray_l": [3.785411784],
        "product_l": [3.785411784 / 128],
        "ae_kg_per_ha": [0.45359237 / 0.40468564224],
        "reach_m": [0.3048],
        "notes": ["=cmd"],
    }
)


def test_us_names_and_sizes():
    shown = c.present(TABLE, SCHEMA, "us")
    assert list(shown.columns) == [
        "patch_id", "area_acre", "spray_gal", "product_fl_oz", "ae_lb_per_acre", "reach_ft", "notes"
    ]  # fmt: skip
    assert shown.iloc[0, 1:6].tolist() == pytest.approx([1.0] * 5)


def test_metric_names_and_sizes():
    shown = c.present(TABLE, SCHEMA, "metric")
    assert list(shown.columns)[1:6] == ["area_ha", "spray_l", "product_ml", "ae_kg_per_ha", "reach_m"]
    assert shown["area_ha"].iloc[0] == pytest.approx(0.40468564224)
    assert shown["product_ml"].iloc[0] == pytest.approx(29.5735295625)


def test_column_of_the_user_with_one_of_our_names_is_kept():
    shown = c.present(TABLE.assign(area_acre=["about two"]), SCHEMA, "us")
    assert shown["area_acre"].iloc[0] == pytest.approx(1.0)
    assert shown["area_acre_in_file"].iloc[0] == "about two"


def test_missing_column_is_named():
    with pytest.raises(KeyError, match="reach_m"):
        c.present(TABLE.drop(columns="reach_m"), SCHEMA, "us")


def test_schemas_have_no_name_twice():
    for schema in (c.PATCHES, c.UNITS, c.OPTIONS, c.COMPLIANCE, c.SETBACK_ZONES, c.PRODUCT_BUDGET):
        for system in ("us", "metric"):
            names = c.shown_names(schema, system)
            assert len(names) == len({name.casefold() for name in names})
