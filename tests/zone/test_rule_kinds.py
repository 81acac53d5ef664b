"""Every kind of rule, decided by whole plans on a straight shore: what is refused, where, and when.

The shore is y = 0, water lies south of it; a patch 60 m wide reaches from the shore to 60 m inland. Distances in the
rules are round metres, so that the bands can be worked out by hand. All rules and products here are invented, except
the published sets, whose documents stand beside their cells.
"""

from __future__ import annotations

import itertools

import pytest
import shapely

import tussock
from site_factory import ACRE_M2, FOOT_M, Sites

PRODUCTS = {
    "gly-aq": ("glyphosate", "salt", True),
    "gly": ("glyphosate", "salt", False),
    "tri-amine": ("triclopyr", "amine", True),
    "tri-ester": ("triclopyr", "ester", False),
    "acp": ("aminocyclopyrachlor", "acid", False),
}
METHODS = {"boom": "broadcast", "foliar_spot": "spot", "low_volume_stream": "spot", "wick": "hand"}
COMBINATIONS = list(itertools.product(METHODS, PRODUCTS))
WATER = shapely.box(-500, -80, 560, 0)


def write_products():
    share = ", ".join(f'{method} = ["1 %", "50 %"]' for method in METHODS)
    return "\n".join(
        f'[[product]]\nid = "{name}"\nactive = "{active}"\nform = "{form}"\nstrength = "2 lb/gal"\n'
        f'aquatic_label = {str(aquatic).lower()}\nmethods = {{ {share} }}\nsource = "invented"\n'
        for name, (active, form, aquatic) in PRODUCTS.items()
    )


def write_treatments(season=""):
    return "\n".join(
        f'[[treatment]]\nid = "{method}/{product}"\ngrowth_form = ["herbaceous"]\nmethod = "{method}"\n'
        f'product = "{product}"\nconcentration = "2 %"\nspray_volume = "10 gal/acre"\npreference = {place}\n{season}\n'
        for place, (method, product) in enumerate(COMBINATIONS)
    )


def write_rules(body, header='status = "checked"'):
    return (
        f'[ruleset]\ntitle = "kinds (invented)"\nauthority = "nobody"\nsource = "invented"\nread_by = "nobody"\n{header}\n'
        + "\n".join(f'[[setback]]\nsource = "invented for tests"\n{part}' for part in body)
    )


def plan_shore(folder, rules, *, season="", water=None, receptors=None, depth_m=60.0, layer_lines=None, site=""):
    patch = {
        "patch_id": "S",
        "species": "reed",
        "growth_form": "herbaceous",
        "cover_pct": 50,
        "geometry": shapely.box(0, 0.01, 60, depth_m),
    }
    return Sites(folder).plan(
        [patch],
        water=[{"kind": "lake", "state": "wet", "geometry": WATER}] if water is None else water,
        receptors=receptors,
        rules=rules,
        products=write_products(),
        treatments=write_treatments(season),
        layer_lines=layer_lines,
        site=site,
    )


def refused(plan, setbacks):
    """Combinations that are refused on the unit with just these setbacks."""
    unit = plan.units.set_index("unit_id").query("setbacks == @setbacks").index
    assert len(unit) == 1, plan.units["setbacks"].tolist()
    rows = plan.options[(plan.options["unit_id"] == unit[0]) & (plan.options["verdict"] == "refused")]
    return {tuple(name.split("/")) for name in rows["treatment_id"]}


def band_m(plan, setbacks):
    """Depth of the ground with these setbacks, from its area on a patch 60 m wide."""
    return plan.units.query("setbacks == @setbacks")["area_acre"].sum() * ACRE_M2 / 60


FORBIDS = {
    "{}": lambda method, product: True,
    '{ delivery = "broadcast" }': lambda method, product: METHODS[method] == "broadcast",
    '{ delivery = ["broadcast", "spot"] }': lambda method, product: METHODS[method] != "hand",
    '{ method = "low_volume_stream" }': lambda method, product: method == "low_volume_stream",
    '{ active = "triclopyr" }': lambda method, product: PRODUCTS[product][0] == "triclopyr",
    '{ active = "TRICLOPYR", form = "ester" }': lambda method, product: product == "tri-ester",
    '{ form = ["ester", "acid"] }': lambda method, product: PRODUCTS[product][1] in ("ester", "acid"),
    "{ aquatic_label = false }": lambda method, product: not PRODUCTS[product][2],
    "{ aquatic_label = true }": lambda method, product: PRODUCTS[product][2],
    '{ delivery = "spot", active = "glyphosate", aquatic_label = false }': lambda method, product: (
        METHODS[method] == "spot" and product == "gly"
    ),
}


@pytest.mark.parametrize(("forbids", "expected"), FORBIDS.items(), ids=FORBIDS)
def test_forbids_by_each_key(tmp_path, forbids, expected):
    rules = write_rules([f'id = "A"\nfrom = {{ layer = "water" }}\ndistance = "20 m"\nforbids = {forbids}'])
    plan = plan_shore(tmp_path, rules)
    assert band_m(plan, "A") == pytest.approx(20, abs=0.02)
    assert refused(plan, "A") == {pair for pair in COMBINATIONS if expected(*pair)}
    assert refused(plan, "") == set()


@pytest.mark.parametrize(
    ("effect", "line"),
    [
        ("permit", 'permit = "the county"'),
        ("notify", 'notify = "the school, the day before"'),
        ("no_mixing", "no_mixing = true"),
    ],
)
def test_permit_notify_and_no_mixing_never_block_and_are_listed(tmp_path, effect, line):
    # none of them is a setback: that none is wanted is said
    header = 'status = "checked"\nno_rule_for = ["water"]'
    rules = write_rules([f'id = "A"\nfrom = {{ layer = "water" }}\ndistance = "20 m"\n{line}'], header)
    plan = plan_shore(tmp_path, rules)
    assert refused(plan, "A") == set()
    (unit,) = plan.units.query("setbacks == 'A'")["unit_id"]
    row = plan.compliance.set_index(["unit_id", "setback_id"]).loc[(unit, "A")]
    assert row["effect"] == effect
    assert row["distance_verdict"] == "inside"


def season_of(plan, setbacks):
    unit = plan.units.query("setbacks == @setbacks").iloc[0]
    return unit["season_from"], unit["season_to"]


def test_season_that_wraps_the_year_leaves_the_days_between(tmp_path):
    rule = 'id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = {}\nseason = ["09-01", "05-31"]'
    plan = plan_shore(tmp_path, write_rules([rule]))
    assert refused(plan, "A") == set()
    assert season_of(plan, "A") == ("2027-06-01", "2027-08-31")  # both ends of the season count


def test_overlapping_seasons_the_stricter_wins(tmp_path):
    head = 'from = { layer = "water" }\ndistance = "20 m"\nforbids = {}\n'
    plan = plan_shore(
        tmp_path,
        write_rules(
            [
                f'id = "A"\n{head}season = ["11-01", "06-15"]',
                f'id = "B"\n{head}season = ["05-01", "07-10"]',
                f'id = "C"\n{head}season = ["08-20", "12-31"]',
            ]
        ),
    )
    assert season_of(plan, "A;B;C") == ("2027-07-11", "2027-08-19")


def test_seasons_that_leave_no_day_refuse(tmp_path):
    head = 'from = { layer = "water" }\ndistance = "20 m"\nforbids = { delivery = "broadcast" }\n'
    parts = [f'id = "A"\n{head}season = ["10-01", "06-30"]', f'id = "B"\n{head}season = ["06-01", "10-31"]']
    plan = plan_shore(tmp_path, write_rules(parts))
    assert {method for method, _ in refused(plan, "A;B")} == {"boom"}


def test_distance_from_the_features_own_column(tmp_path):
    trees = [
        {"kind": "tree", "name": f"T{x}", "height_ft": height / FOOT_M, "geometry": shapely.Point(x, 30)}
        for x, height in ((15, 6.0), (45, 10.0))
    ]
    rule = 'id = "A"\nfrom = { layer = "receptors", kind = "tree" }\ndistance = { column = "height_ft", times = 1.5 }\nforbids = {}'
    plan = plan_shore(tmp_path, write_rules([rule]), receptors=trees)
    # two circles of 9 and 15 m: pi (81 + 225) m2, at most 0.43 % more (0.215 % of the radius)
    inside = plan.units.query("setbacks == 'A'")["area_acre"].sum() * ACRE_M2
    exact = 3.14159265 * (81 + 225)
    assert exact <= inside <= exact * 1.0044


def test_column_that_is_missing_on_one_feature_is_refused(tmp_path):
    trees = [{"kind": "tree", "height_ft": height, "geometry": shapely.Point(9, 9)} for height in (20.0, None)]
    rule = 'id = "A"\nfrom = { layer = "receptors" }\ndistance = { column = "height_ft" }\nforbids = {}'
    with pytest.raises(
        tussock.InputError, match=r'distance from column "height_ft": found nothing; give every such feature'
    ):
        plan_shore(tmp_path, write_rules([rule]), receptors=trees)


def test_anywhere_is_the_whole_site(tmp_path):
    plan = plan_shore(
        tmp_path, write_rules(['id = "A"\ndistance = "anywhere"\nforbids = { form = "ester" }']), water=[]
    )
    assert plan.units["setbacks"].tolist() == ["A"]
    assert {product for _, product in refused(plan, "A")} == {"tri-ester"}


def test_nought_feet_is_on_the_feature_itself(tmp_path):
    pond = [{"kind": "pond", "state": "wet", "geometry": shapely.box(20, 20, 40, 30)}]
    plan = plan_shore(
        tmp_path, write_rules(['id = "A"\nfrom = { layer = "water" }\ndistance = "0 ft"\nforbids = {}']), water=pond
    )
    inside = plan.units.query("setbacks == 'A'")["area_acre"].sum() * ACRE_M2
    assert inside == pytest.approx(200, rel=1e-5)


@pytest.mark.parametrize(("state", "wet", "dry"), [("wet", 20, 0), ("dry", 0, 20), (None, 20, 0)])
def test_wet_dry_and_unknown_water(tmp_path, state, wet, dry):
    """Water whose state nobody wrote down counts as wet."""
    parts = [
        f'id = "{name}"\nfrom = {{ layer = "water", state = "{name}" }}\ndistance = "20 m"\nforbids = {{}}'
        for name in ("wet", "dry")
    ]
    plan = plan_shore(tmp_path, write_rules(parts), water=[{"kind": "lake", "state": state, "geometry": WATER}])
    assert band_m(plan, "wet") == pytest.approx(wet, abs=0.02)
    assert band_m(plan, "dry") == pytest.approx(dry, abs=0.02)


def test_listed_only_refuses_what_is_not_listed(tmp_path):
    listed = (
        '\n[[listed]]\nactive = "glyphosate"\naquatic_label = true\ndelivery = ["spot", "hand"]\nsource = "invented"\n'
    )
    rules = write_rules(
        ['id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = { delivery = "spot" }'],
        'status = "checked"\nlisted_only = true',
    )
    plan = plan_shore(tmp_path, rules + listed)
    allowed = set(COMBINATIONS) - refused(plan, "")
    assert allowed == {(method, "gly-aq") for method in ("foliar_spot", "low_volume_stream", "wick")}
    assert set(COMBINATIONS) - refused(plan, "A") == {("wick", "gly-aq")}
    assert plan.options["reason"].str.contains("not listed").any()


def test_centreline_with_a_width_of_its_own_and_with_a_default(tmp_path):
    """A stream 4 m wide along y = -2 has its edge on y = 0; without a width the site's default is taken and marked."""
    rule = write_rules(['id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = {}'])
    line = shapely.LineString([(-500, -2), (560, -2)])
    (tmp_path / "own").mkdir()
    (tmp_path / "default").mkdir()
    own = plan_shore(tmp_path / "own", rule, water=[{"kind": "stream", "width_ft": 4 / FOOT_M, "geometry": line}])
    default = plan_shore(
        tmp_path / "default",
        rule,
        water=[{"kind": "stream", "geometry": line}],
        layer_lines={"water": 'default_width = { stream = "6 m" }'},
    )
    assert band_m(own, "A") == pytest.approx(20, abs=0.02)
    assert band_m(default, "A") == pytest.approx(21, abs=0.02)
    assert set(own.units["check_in_field"]) == {""}
    assert "A" in set(default.units["check_in_field"])


def test_datum_that_differs_is_a_warning(tmp_path):
    rule = 'id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = {}\ndatum = "bankfull"'
    for name, lines, expected in (
        ("other", 'datum = "low water"', 1),
        ("same", 'datum = "Bankfull"', 0),
        ("none", "", 0),
    ):
        (tmp_path / name).mkdir()
        plan = plan_shore(tmp_path / name, write_rules([rule]), layer_lines={"water": lines})
        found = plan.findings[plan.findings["what"].str.contains('runs from "bankfull"', regex=False)]
        assert len(found) == expected
        assert (found["level"] == "warning").all()


def test_draft_set_refuses_and_never_lets_pass_as_checked(tmp_path):
    rule = 'id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = { delivery = "broadcast" }'
    plan = plan_shore(tmp_path, write_rules([rule], 'status = "draft"'))
    assert {method for method, _ in refused(plan, "A")} == {"boom"}
    told = plan.findings[plan.findings["what"] == "a draft rule set"]
    assert told["done"].tolist() == ["it can refuse, but no unit passes as checked by it"]
    planned = plan.compliance[plan.compliance["unit_id"].isin(plan.units.query("product_id != ''")["unit_id"])]
    assert len(planned) == 2
    assert set(planned["verdict"]) == {"not checked: draft rule set"}


@pytest.mark.parametrize("dates", ["valid_to = 2026-12-31", "valid_from = 2028-01-01"])
def test_set_out_of_its_dates_is_an_error_that_can_be_overridden_by_name(tmp_path, dates):
    rule = write_rules(
        ['id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = {}'], f'status = "checked"\n{dates}'
    )
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with pytest.raises(tussock.InputError, match=r"kinds \(invented\)"):
        plan_shore(tmp_path / "a", rule)
    plan = plan_shore(tmp_path / "b", rule, site='accept_out_of_date = ["kinds (invented)"]')
    assert band_m(plan, "A") == pytest.approx(20, abs=0.02)


def test_two_rules_on_one_ground_both_hold(tmp_path):
    parts = [
        'id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = { delivery = "broadcast" }',
        'id = "B"\nfrom = { layer = "water" }\ndistance = "40 m"\nforbids = { form = "ester" }',
    ]
    plan = plan_shore(tmp_path, write_rules(parts))
    assert band_m(plan, "A;B") == pytest.approx(20, abs=0.02)
    assert band_m(plan, "B") == pytest.approx(20, abs=0.02)
    assert refused(plan, "A;B") == {(m, p) for m, p in COMBINATIONS if m == "boom" or p == "tri-ester"}


def test_two_sets_on_one_ground_the_strictest_wins_by_itself(tmp_path):
    """Each set only forbids: what one set leaves open the other still closes, whatever their order."""
    near = write_rules(['id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nforbids = { delivery = "spot" }'])
    far = write_rules(['id = "B"\nfrom = { layer = "water" }\ndistance = "40 m"\nforbids = { delivery = "spot" }'])
    plans = []
    for name, sets in (("ab", [near, far]), ("ba", [far, near])):
        (tmp_path / name).mkdir()
        patch = {"patch_id": "S", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
        plans.append(
            Sites(tmp_path / name).plan(
                [patch | {"geometry": shapely.box(0, 0.01, 60, 60)}],
                water=[{"kind": "lake", "state": "wet", "geometry": WATER}],
                rules=sets,
                products=write_products(),
                treatments=write_treatments(),
            )
        )
    for plan in plans:
        units = plan.units.set_index("unit_id")
        spot = plan.options[plan.options["treatment_id"] == "foliar_spot/gly-aq"].set_index("unit_id")
        closed = units.loc[spot.index[spot["verdict"] == "refused"], "area_acre"].sum() * ACRE_M2 / 60
        assert closed == pytest.approx(40, abs=0.02)


@pytest.mark.parametrize("line", ['season = ["09-01", "05-31"]', ""])
def test_rule_of_another_season_is_no_rule_on_the_planned_days(tmp_path, line):
    rule = f'id = "A"\nfrom = {{ layer = "water" }}\ndistance = "20 m"\nforbids = {{ delivery = "spot" }}\n{line}'
    plan = plan_shore(tmp_path, write_rules([rule]), season='season = ["07-01", "07-31"]')
    refused_spot = {pair for pair in COMBINATIONS if METHODS[pair[0]] == "spot"}
    assert refused(plan, "A") == (set() if line else refused_spot)


@pytest.mark.parametrize("slope_pct", [0.0, 30.0, 100.0])
def test_slope_distance_is_never_less_protective(tmp_path, slope_pct):
    """A slope distance is measured along the ground, so a point at 20 m along a slope is nearer than 20 m on the map.

    A rule that asks for 20 m along the slope is kept by 20 m on the map: the distance along the ground from there to
    the water is 20 m x sqrt(1 + slope^2) or more. The map distance is taken, whatever slope a layer states.
    """
    rule = 'id = "A"\nfrom = { layer = "water" }\ndistance = "20 m"\nmeasure = "slope"\nforbids = {}'
    patch = {"patch_id": "S", "species": "x", "growth_form": "shrub", "cover_pct": 50, "slope_pct": slope_pct}
    plan = Sites(tmp_path).plan(
        [patch | {"geometry": shapely.box(0, 0.01, 60, 60)}],
        water=[{"kind": "lake", "state": "wet", "geometry": WATER}],
        rules=write_rules([rule]),
    )
    free = plan.units.query("setbacks == ''").geometry.iloc[0]
    along_ground = (free.bounds[1] - 0.0) * (1 + (slope_pct / 100) ** 2) ** 0.5
    assert along_ground >= 20


# ------------------------------------------------------------ published sets: each cell of the reference as a decision


#: Beside a published set that forbids nothing near water, a set of the planner's own has to say that this is meant.
NO_WATER_RULE = write_rules([], 'status = "checked"\nno_rule_for = ["water"]')


def plan_published(folder, *names, kind="lake", state="wet", receptors=None):
    water = [{"kind": kind, "state": state, "geometry": WATER}]
    return plan_shore(folder, list(names), water=water if receptors is None else [], receptors=receptors)


@pytest.mark.parametrize(
    "kind", ["lake", "pond", "river", "blue_line_stream", "estuary", "marine", "wetland_open_or_emergent"]
)
def test_maine_broadcast_25_ft(tmp_path, kind):
    # Maine Code of Rules 01-026 chapter 29, sections 1 and 6: broadcast, any pesticide, 25 ft; no mixing within 50 ft
    plan = plan_published(tmp_path, "ME-CH29", kind=kind)
    both = "ME29-BROADCAST-25;ME29-MIXING-50"
    assert refused(plan, both) == {pair for pair in COMBINATIONS if pair[0] == "boom"}
    assert (plan.compliance.query("setback_id == 'ME29-MIXING-50'")["effect"] == "no_mixing").all()
    assert refused(plan, "ME29-MIXING-50") == set()
    assert band_m(plan, both) == pytest.approx(25 * FOOT_M, abs=0.02)
    assert band_m(plan, "ME29-MIXING-50") == pytest.approx(25 * FOOT_M, abs=0.02)


def test_new_hampshire_25_ft_for_every_herbicide(tmp_path):
    # New Hampshire Code of Administrative Rules Pes 1001.01-.02: any pesticide, any method, 25 ft
    plan = plan_published(tmp_path, "NH-PES1001")
    assert refused(plan, "NH1001-25") == set(COMBINATIONS)
    assert band_m(plan, "NH1001-25") == pytest.approx(25 * FOOT_M, abs=0.02)


@pytest.mark.parametrize(("state", "boom_m"), [("wet", 5), ("dry", 1), (None, 5)])
def test_united_kingdom_boom_5_m_wet_and_1_m_dry_ditch(tmp_path, state, boom_m):
    # UK Local Environment Risk Assessment for Pesticides, farmer guidance: boom beside a wet watercourse 5 m; dry ditch 1 m
    plan = plan_published(tmp_path, "UK-LERAP", kind="ditch", state=state)
    units = plan.units.set_index("unit_id")
    boom = plan.options[plan.options["treatment_id"] == "boom/gly-aq"].set_index("unit_id")
    closed = units.loc[boom.index[boom["verdict"] == "refused"], "area_acre"].sum() * ACRE_M2 / 60
    assert closed == pytest.approx(boom_m, abs=0.02)
    spot = plan.options[plan.options["treatment_id"] == "foliar_spot/gly-aq"].set_index("unit_id")
    closed = units.loc[spot.index[spot["verdict"] == "refused"], "area_acre"].sum() * ACRE_M2 / 60
    assert closed == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize(("kind", "depth_ft"), [("freshwater_wetland", 100), ("marsh", 100), ("lake", 0)])
def test_new_york_permit_100_ft(tmp_path, kind, depth_ft):
    # New York 6 NYCRR 663.2(b): permit within 100 ft of a freshwater wetland
    plan = plan_published(tmp_path, "NY-663", NO_WATER_RULE, kind=kind)
    assert band_m(plan, "NY663-100") == pytest.approx(depth_ft * FOOT_M, abs=0.02)
    assert (plan.options["verdict"] != "refused").all()


def test_application_exclusion_zone_is_told_and_never_blocks(tmp_path):
    # 40 CFR 170.405: 100 ft finer than medium, 25 ft medium or coarser, around the point of discharge
    school = [{"kind": "school", "name": "s", "geometry": shapely.box(-500, -80, 560, 0)}]
    plan = plan_published(tmp_path, "WPS-AEZ", NO_WATER_RULE, receptors=school)
    assert band_m(plan, "AEZ-COARSE-25;AEZ-EVERYWHERE;AEZ-FINE-100") == pytest.approx(25 * FOOT_M, abs=0.02)
    assert band_m(plan, "AEZ-EVERYWHERE;AEZ-FINE-100") == pytest.approx(75 * FOOT_M, abs=0.02)
    assert (plan.options["verdict"] != "refused").all()


def test_root_active_herbicide_keeps_off_by_the_height_of_the_tree(tmp_path):
    # PNW Weed Management Handbook, riparian restoration sites: aminocyclopyrachlor, distance = height of the tree
    tree = [{"kind": "sensitive_tree", "name": "oak", "height_ft": 60.0, "geometry": shapely.Point(30, 30)}]
    plan = plan_published(tmp_path, "TREE-ROOT", NO_WATER_RULE, receptors=tree)
    assert refused(plan, "TREE-HEIGHT") == {pair for pair in COMBINATIONS if pair[1] == "acp"}
    inside = plan.units.query("setbacks == 'TREE-HEIGHT'")["area_acre"].sum() * ACRE_M2
    circle = 3.14159265 * (60 * FOOT_M) ** 2
    assert circle <= inside <= circle * 1.0044


def test_a_new_published_table_needs_only_toml(tmp_path):
    """A table of actives by delivery, typed in as text, decides every cell; no code knows it."""
    table = {"glyphosate": (30, 10, 0), "triclopyr": (None, 20, 5)}  # invented: broadcast, spot, hand; None: nowhere
    parts, listed = [], []
    for active, row in table.items():
        for delivery, distance in zip(("broadcast", "spot", "hand"), row, strict=True):
            where = '"anywhere"' if distance is None else f'"{distance} m"'
            parts.append(
                f'id = "{active}-{delivery}"\nfrom = {{ layer = "water" }}\ndistance = {where}\n'
                f'forbids = {{ active = "{active}", delivery = "{delivery}" }}'
            )
            listed.append(f'[[listed]]\nactive = "{active}"\ndelivery = "{delivery}"\nsource = "invented"')
    rules = write_rules(parts, 'status = "checked"\nlisted_only = true') + "\n" + "\n".join(listed)
    plan = plan_shore(tmp_path, rules)
    units = plan.units.set_index("unit_id")
    for (method, product), rows in (
        plan.options[plan.options["treatment_id"].str.contains("/")]
        .assign(pair=lambda frame: frame["treatment_id"].str.split("/").map(tuple))
        .groupby("pair")
    ):
        closed = units.loc[rows.loc[rows["verdict"] == "refused", "unit_id"], "area_acre"].sum() * ACRE_M2 / 60
        active = PRODUCTS[product][0]
        place = ("broadcast", "spot", "hand").index(METHODS[method])
        distance = table[active][place] if active in table else None
        assert closed == pytest.approx(59.99 if distance is None else distance, abs=0.02), (method, product)
