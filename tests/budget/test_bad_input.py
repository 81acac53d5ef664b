"""What is wrong in an operations file gives one clear error, or a named refusal where only some units are hit."""

from __future__ import annotations

import pytest

import tussock
from site_factory import NO_RULES, PRODUCTS, feet_box

PATCH = {
    "patch_id": "P1",
    "species": "reed",
    "growth_form": "herbaceous",
    "cover_pct": 50,
    "geometry": feet_box(0, 0, 90, 90),
}
CALENDAR = '[calendar]\nfirst = 2027-09-30\nlast = 2027-05-01\nsource = "x"\n'


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("size = 3", "size = 0", r"operations\.toml, line 3: crew\.size: found 0; .*greater than 0"),
        (
            'price = "40 USD/gal"',
            'price = "40 EUR/gal"',
            r"prices: found amounts in USD and EUR; write all amounts in one currency",
        ),
        ('day = "8 hours"', 'day = "0 hours"', "a day of no hours"),
        ("licensed = 1", "licensed = 4", "licensed 4 of a crew of 3"),
        ('rate = "0.25 acre/hour"', 'rate = "0.25 acre"', r"production\[1\]\.rate: found \"0\.25 acre\""),
    ],
)
def test_a_wrong_value_names_file_key_and_what_to_do(sites, operations, treatments, old, new, message):
    assert old in operations
    path = sites.write([PATCH], treatments=treatments, operations=operations.replace(old, new))
    with pytest.raises(tussock.InputError, match=message) as caught:
        tussock.read_site(path)
    assert len(caught.value.faults) == 1


def test_a_season_that_ends_before_it_starts(sites, operations, treatments):
    path = sites.write([PATCH], treatments=treatments, operations=operations + CALENDAR)
    with pytest.raises(
        tussock.InputError, match=r"calendar: found first 2027-09-30, last 2027-05-01: it ends before it starts"
    ):
        tussock.read_site(path)


def test_money_in_a_second_currency(sites, operations, treatments):
    text = operations + '[money]\nmobilisation = "500 CAD"\nsource = "x"\n'
    path = sites.write([PATCH], treatments=treatments, operations=text)
    with pytest.raises(tussock.InputError, match="amounts in USD and CAD; write all amounts in one currency"):
        tussock.make_plan(tussock.read_site(path))


def test_a_day_that_travel_and_breaks_use_up(sites, operations, time_model, treatments):
    text = operations + time_model.replace('travel = "40 min"', 'travel = "8 hours"')
    path = sites.write([PATCH], treatments=treatments, operations=text)
    with pytest.raises(tussock.InputError, match=r"crew\.day: found a day of 8 h with 8\.33333 h of travel and breaks"):
        tussock.make_plan(tussock.read_site(path))


def test_weights_that_are_all_zero(sites, operations, treatments):
    names = ("retreatment", "small_outlier", "upstream", "value_at_risk", "feasibility")
    text = operations + "[priorities]\n" + "".join(f"{name} = 0\n" for name in names) + 'source = "x"\n'
    path = sites.write([PATCH], treatments=treatments, operations=text)
    with pytest.raises(tussock.InputError, match="every weight is 0; give at least one criterion a weight"):
        tussock.read_site(path)


def test_roles_that_do_not_add_up_to_the_crew(sites, operations, treatments):
    text = operations + '[[crew.role]]\nname = "lead"\ncount = 1\nwage = "40 USD/hour"\nlicensed = true\n'
    path = sites.write([PATCH], treatments=treatments, operations=text)
    with pytest.raises(tussock.InputError, match="size 3, but the roles add up to 1"):
        tussock.read_site(path)


def test_a_method_without_a_pace_leaves_its_units_blank_and_says_so(sites, operations, treatments):
    text = operations.replace('method = "foliar_spot"', 'method = "boom"')
    plan = sites.plan([PATCH], treatments=treatments, operations=text, rules=NO_RULES)
    assert plan.units[["crew_hours", "cost"]].isna().all(axis=None)
    found = plan.findings[plan.findings["stage"] == "budget"]
    assert 'production rate of "foliar_spot"' in found["row"].tolist()


def test_nobody_licensed_for_a_product_that_needs_it(sites, operations, treatments):
    """Only the unit with that product is refused; a patch pulled by hand keeps its hours."""
    products = PRODUCTS.replace("methods = { boom", "restricted_use = true\nmethods = { boom", 1)
    shrub = PATCH | {"patch_id": "P2", "species": "fern", "geometry": feet_box(500, 0, 590, 90)}
    text = treatments.replace('id = "spot"\n', 'id = "spot"\nspecies = ["reed"]\n')
    crew = operations.replace("licensed = 1", "licensed = 0")
    plan = sites.plan([PATCH, shrub], products=products, treatments=text, operations=crew, rules=NO_RULES)
    units = plan.units.set_index("patch_id")
    assert units["treatment_id"].to_dict() == {"P1": "pull", "P2": "pull"}
    assert (units["crew_hours"] > 0).all()
    refused = plan.options[(plan.options["treatment_id"] == "spot") & (plan.options["unit_id"] == "P1-01")]
    assert refused["reason"].str.contains("is for restricted use: nobody in the crew is licensed").all()
    licensed = sites.plan([PATCH, shrub], products=products, treatments=text, operations=operations, rules=NO_RULES)
    assert licensed.units.set_index("patch_id").loc["P1", "treatment_id"] == "spot"


def test_one_table_in_two_operations_files(sites, operations, time_model, treatments):
    path = sites.write([PATCH], treatments=treatments, operations=operations + time_model)
    (sites.folder / "more.toml").write_text(time_model.replace("40 min", "50 min"), encoding="utf-8")
    path.write_text(
        path.read_text().replace('operations = "operations.toml"', 'operations = ["operations.toml", "more.toml"]')
    )
    with pytest.raises(tussock.InputError, match=r"more\.toml: time: found 2 tables \[time\]; keep one \[time\] table"):
        tussock.make_plan(tussock.read_site(path))


def test_tables_of_a_second_operations_file_count(sites, operations, time_model, treatments):
    path = sites.write([PATCH], treatments=treatments, operations=operations)
    (sites.folder / "more.toml").write_text(time_model, encoding="utf-8")
    path.write_text(
        path.read_text().replace('operations = "operations.toml"', 'operations = ["operations.toml", "more.toml"]')
    )
    plan = tussock.make_plan(tussock.read_site(path))
    assert plan.work["unit_hours"]["records_hours"].tolist() == [0.1]


TWICE = {
    "price": '\n[[price]]\nproduct = "glyphosate-aquatic"\nprice = "50 USD/gal"\nsource = "x"\n',
    "production": '\n[[production]]\nmethod = "pull"\nrate = "0.2 acre/hour"\nsource = "x"\n',
}


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("price", 'price: found "glyphosate-aquatic" 2 times; keep one price for each product or supply'),
        ("production", 'production: found "pull" 2 times; keep one pace for each method and equipment'),
    ],
)
def test_two_prices_or_paces_for_one_thing(sites, operations, treatments, table, message):
    """Taken as they come, a supply would be paid for twice, and one of two paces would be chosen in silence."""
    path = sites.write([PATCH], treatments=treatments, operations=operations + TWICE[table])
    with pytest.raises(tussock.InputError, match=message):
        tussock.make_plan(tussock.read_site(path))


def test_a_pace_for_one_tool_stands_beside_that_of_the_method(sites, operations, treatments):
    text = operations + TWICE["production"].replace('"pull"', '"foliar_spot"\nequipment = "pack"')
    plan = sites.plan([PATCH], treatments=treatments, operations=text, rules=NO_RULES)
    # 90 x 90 ft, half of it infested, at 0.2 instead of 0.25 acre/hour
    assert plan.work["unit_hours"].loc[0, "treating_hours"] == pytest.approx(90 * 90 / 43560 / 2 / 0.2, rel=1e-4)


def test_licensed_crews_without_a_licensed_person(sites, operations, treatments):
    text = operations.replace("licensed = 1", "licensed = 0")
    text += '[calendar]\nfirst = 2027-06-01\nlast = 2027-09-30\ncrews = 2\nlicensed_crews = 1\nsource = "x"\n'
    path = sites.write([PATCH], treatments=treatments, operations=text)
    with pytest.raises(
        tussock.InputError,
        match=r"calendar\.licensed_crews: found 1, but nobody in a crew is licensed \(crew\.licensed\)",
    ):
        tussock.make_plan(tussock.read_site(path))


def test_a_calendar_without_a_working_day_says_what_makes_it_so(sites, operations, treatments):
    """5 and 6 June 2027 are a Saturday and a Sunday; four days a week are Monday to Thursday."""
    text = operations + '[calendar]\nfirst = 2027-06-05\nlast = 2027-06-06\nsource = "x"\n'
    plan = sites.plan([PATCH], treatments=treatments, operations=text, rules=NO_RULES)
    note = plan.work["calendar"].loc[0, "note"]
    assert note == (
        "left out: the calendar has no working day (calendar.first, last, days_per_week from Monday on, closed)"
    )
