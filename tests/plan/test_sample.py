"""The sample site shows what the job is about: the three published outcomes, repairs, refusals, and totals that agree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely


def test_three_published_outcomes_are_seen(sample_plan):
    uses = sample_plan.units["allowed_use"].value_counts()
    for name in ("aquatic-labelled only", "hand methods only", "no herbicide", "open"):
        assert uses[name] >= 2, name


def test_chosen_treatments_keep_to_what_is_allowed(sample_plan):
    units = sample_plan.units[sample_plan.units["status"] == "planned"]
    labels = {product.id: product.aquatic_label for product in sample_plan.site.products.values()}
    herbicide = units["product_id"] != ""
    assert not herbicide[units["allowed_use"] == "no herbicide"].any()
    assert set(units.loc[herbicide & (units["allowed_use"] == "hand methods only"), "delivery"]) == {"hand"}
    aquatic = units.loc[herbicide & (units["allowed_use"] == "aquatic-labelled only"), "product_id"]
    assert all(labels[name] for name in aquatic)


def test_it_has_what_it_must_have(sample_plan):
    assert 40 <= len(sample_plan.patches) <= 60
    assert sample_plan.patches["species"].nunique() >= 6
    assert set(sample_plan.patches["growth_form"]) == {"herbaceous", "vine", "shrub", "tree"}
    assert set(sample_plan.patches["status"]) == {"planned", "partly", "none"}
    assert {"chosen", "allowed", "refused"} == set(sample_plan.options["verdict"])
    what = " ".join(sample_plan.findings["what"])
    done = " ".join(sample_plan.findings["done"])
    for words in ("Self-intersection", "class or percent?", "cover is blank", "the width is not known"):
        assert words in what
    for words in ("counted once", "add up", "likely the same patch"):
        assert words in done


def test_one_option_is_chosen_where_one_is_allowed(sample_plan):
    options = sample_plan.options
    chosen = options[options["verdict"] == "chosen"].groupby("unit_id").size()
    treated = (sample_plan.units["status"] == "planned") & (sample_plan.units["method"] != "look")
    planned = sample_plan.units.loc[treated, "unit_id"]
    assert (chosen == 1).all()
    assert set(chosen.index) == set(planned)
    assert len(options) == len(sample_plan.units) * len(sample_plan.site.treatments)


@pytest.mark.parametrize("column", ["area_acre", "spray_gal", "crew_hours", "cost", "ae_lb"])
def test_units_add_up_to_patches(sample_plan, column):
    units = sample_plan.units
    if column != "area_acre":
        units = units[units["status"] == "planned"]
    summed = units.groupby("patch_id")[column].sum(min_count=1)
    patches = sample_plan.patches.set_index("patch_id")[column]
    both = summed.index[summed.notna()]
    assert np.allclose(summed[both], patches[both], rtol=1e-9)


def test_units_tile_patches_as_delivered(sample_plan):
    outlines = sample_plan.patches.set_index("patch_id").geometry
    for patch_id, own in sample_plan.units.groupby("patch_id"):
        joined = shapely.union_all(own.geometry.array)
        assert shapely.symmetric_difference(joined, outlines[patch_id]).area < 1e-9 * outlines[patch_id].area


def test_no_planned_unit_breaks_a_yearly_limit(sample_plan):
    used = sample_plan.units["annual_limit_used_pct"].dropna()
    assert len(used) > 50
    assert used.max() <= 100 * (1 + 1e-9)


def test_nothing_calls_itself_compliant(sample_plan):
    for table in (sample_plan.units, sample_plan.compliance, sample_plan.options, sample_plan.findings):
        text = table.drop(columns="geometry", errors="ignore").astype(str)
        assert not text.apply(lambda column: column.str.contains("compliant")).to_numpy().any()


def test_a_site_with_closures_is_delivered(sites, tmp_path):
    from site_factory import feet_box

    closure = '[[closure]]\nid = "nest"\nseason = ["04-01", "05-31"]\nreason = "birds"\nsource = "invented"\n'
    patch = {
        "patch_id": "P",
        "species": "a",
        "growth_form": "shrub",
        "cover_pct": 9,
        "geometry": feet_box(0, 0, 90, 90),
    }
    plan = sites.plan([patch], site=closure)
    plan.write(tmp_path / "out")
    assert '"birds"' in (tmp_path / "out" / "run.json").read_text(encoding="utf-8")


def test_on_a_named_grid_the_review_finds_nothing(sample_plan, tmp_path):
    """UTM zone 15, west of its central meridian by some 20 km: lengths on the grid are 0.3 per mille short."""
    import tussock

    site = sample_plan.site
    named = replace(site, options=replace(site.options, crs="EPSG:26915"))
    plan = tussock.make_plan(named)
    assert plan.crs.distance_error == pytest.approx(3.1e-4, abs=2e-5)
    for column in ("walk_ft", "mixing_ft"):  # told alike but for corners of cuts: their tangents stand elsewhere
        told = [item.work["unit_hours"].set_index("unit_id")[column] for item in (plan, sample_plan)]
        shared = told[0].index.intersection(told[1].index)
        assert len(shared) > 60
        assert told[0][shared].to_numpy() == pytest.approx(told[1][shared].to_numpy(), abs=0.2, nan_ok=True)
    found = tussock.review_plan(plan.write(tmp_path / "plan"))
    assert not (found["level"] == "violation").any(), found[found["level"] == "violation"].to_string()
