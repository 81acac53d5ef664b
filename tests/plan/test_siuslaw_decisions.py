"""Every cell of a published buffer table, decided by whole plans.

USDA Forest Service, Siuslaw Invasive Plants Project, Appendix A, Project Design Criteria, Table A-1 (year not shown in
the part read): distances in feet from the water's edge, by active, label and delivery; what is not listed is not
permitted. "none" is a listed combination without a buffer, "edge" is up to the water's edge.
"""

from __future__ import annotations

import pytest

from site_factory import Sites, feet_box

NONE, EDGE, PROHIBITED = None, 0, "prohibited"

# (active, form, aquatic label): broadcast, spot, hand
TABLE = {
    ("clopyralid", "salt", False): (100, 15, EDGE),
    ("glyphosate", "salt", False): (100, 50, 50),
    ("glyphosate", "salt", True): (50, NONE, NONE),
    ("imazapic", "salt", False): (100, 15, EDGE),
    ("imazapyr", "salt", True): (50, NONE, NONE),
    ("imazapyr", "salt", False): (100, 50, EDGE),
    ("sethoxydim", "acid", False): (100, 50, 50),
    ("triclopyr", "amine", True): (PROHIBITED, 15, NONE),
}
NO_BUFFER_WHERE_DRY = {("glyphosate", True, "broadcast"), ("imazapyr", True, "broadcast")}
DELIVERIES = {"broadcast": "boom", "spot": "foliar_spot", "hand": "wick"}
CELLS = [
    (*key, delivery, buffer) for key, row in TABLE.items() for delivery, buffer in zip(DELIVERIES, row, strict=True)
]
BAND_STARTS_FT = (-2, 0, 15, 50, 100)  # within arm's length of the bank


def write_catalog():
    products, treatments = [], []
    for place, (active, form, aquatic, delivery, _) in enumerate(CELLS):
        method = DELIVERIES[delivery]
        products.append(
            f'[[product]]\nid = "p{place}"\nactive = "{active}"\nform = "{form}"\nstrength = "2 lb/gal"\n'
            f'aquatic_label = {str(aquatic).lower()}\nmethods = {{ {method} = ["1 %", "50 %"] }}\nsource = "invented"\n'
        )
        treatments.append(
            f'[[treatment]]\nid = "t{place}"\ngrowth_form = ["herbaceous"]\nmethod = "{method}"\nproduct = "p{place}"\n'
            f'concentration = "2 %"\nspray_volume = "10 gal/acre"\npreference = {place}\n'
        )
    return "\n".join(products), "\n".join(treatments)


def plan_shore(folder, kind, state):
    products, treatments = write_catalog()
    patch = {
        "patch_id": "S",
        "species": "reed",
        "growth_form": "herbaceous",
        "cover_pct": 50,
        "geometry": feet_box(0, -2, 200, 140),
    }
    return Sites(folder).plan(
        [patch],
        water=[{"kind": kind, "state": state, "geometry": feet_box(-900, -60, 1100, 0)}],
        rules=["USFS-SIUSLAW-A1"],
        products=products,
        treatments=treatments,
    )


@pytest.fixture(scope="module")
def plans(tmp_path_factory):
    shores = {"stream": "wet", "pond": "wet", "dry pond": "dry", "unknown pond": None}
    return {
        name: plan_shore(tmp_path_factory.mktemp(name.replace(" ", "-")), name.split()[-1], state)
        for name, state in shores.items()
    }


def expected_bands(buffer, *, aquatic):
    """Whether each band (in the channel, 0-15, 15-50, 50-100, over 100 ft) is open to a cell of the table."""
    if buffer == PROHIBITED:
        return [False] * 5
    open_from = BAND_STARTS_FT[0] if buffer is NONE else buffer
    # a label without aquatic use keeps the product out of the channel, whatever the table says
    return [start >= open_from and (start >= 0 or aquatic) for start in BAND_STARTS_FT]


def decide(plan, place):
    inland = plan.units.set_index("unit_id").geometry.representative_point().y.sort_values().index
    rows = plan.options[plan.options["treatment_id"] == f"t{place}"].set_index("unit_id").loc[inland]
    return (rows["verdict"] != "refused").tolist()


@pytest.mark.parametrize("shore", ["stream", "pond", "unknown pond"])
@pytest.mark.parametrize(("place", "cell"), list(enumerate(CELLS)), ids=["-".join(map(str, cell)) for cell in CELLS])
def test_cell_at_wet_water(plans, shore, place, cell):
    _, _, aquatic, _, buffer = cell
    assert decide(plans[shore], place) == expected_bands(buffer, aquatic=aquatic)


@pytest.mark.parametrize(("place", "cell"), list(enumerate(CELLS)), ids=["-".join(map(str, cell)) for cell in CELLS])
def test_cell_at_a_dry_pond(plans, place, cell):
    active, _, aquatic, delivery, buffer = cell
    plan = plans["dry pond"]
    decided = dict(zip(_starts(plan), decide(plan, place), strict=True))
    dry = (active, aquatic, delivery) in NO_BUFFER_WHERE_DRY
    open_from = BAND_STARTS_FT[0] if buffer is NONE or dry else buffer
    for start, allowed in decided.items():
        assert allowed == (buffer != PROHIBITED and start >= open_from)


def _starts(plan):
    """Where each unit starts, in feet from the edge, rounded (a dry pond has fewer bands)."""
    units = plan.units.set_index("unit_id").geometry
    order = units.representative_point().y.sort_values().index
    return [round((units[name].bounds[1]) / 0.3048) for name in order]


def test_all_24_cells_are_here():
    assert len(CELLS) == 24


def test_every_refusal_names_its_cell(plans):
    refused = plans["stream"].options.query("verdict == 'refused'")
    assert refused["reason"].str.contains("ft from stream|not listed|holds on the whole site|no aquatic label").all()
