"""A filled as-applied record against the plan: applied or not, product, date, rate, year, blanks; and files of any office."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

import tussock
from field_site import PATCH, TREATMENTS, complete, fill_record, pick, plan_field
from review.random_sites import deliver_quickly
from site_factory import PRODUCTS, feet_box
from tussock.deliver.records import write_record
from tussock.review.folder import bring, run_checks
from tussock.review.loading import load_folder

REGISTERED = PRODUCTS.replace("aquatic_label = true", 'registration = "invented-1"\naquatic_label = true')
FT2_PER_ACRE = 43_560  # NIST Handbook 44, Appendix C
load_once = cache(load_folder)


def deliver(folder: Path, patches: list[dict] | None = None, **options) -> Path:
    plan = plan_field(folder / "site", patches, **({"products": REGISTERED} | options))
    written = deliver_quickly(plan, folder / "plan")
    write_record(plan, folder / "record.csv")
    return written


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan whose one planned unit is P1-02: 8,500 ft2 at 4 lb ae/acre, 1 July to 30 September."""
    return deliver(tmp_path_factory.mktemp("field"))


def compare(field: Path, path: Path, **more):
    return run_checks(load_once(field), only=["approval"], brought=bring(records=path, **more))


def check(field: Path, tmp_path: Path, fill, **options):
    """Fill in a copy of the record and compare it."""
    path = fill_record(field.parent / "record.csv", tmp_path / "filled.csv", fill, **options)
    return compare(field, path)


def with_cells(**cells: str):
    return lambda rows: complete(rows[0], **cells)


def test_a_record_as_planned_finds_nothing(field: Path, tmp_path: Path) -> None:
    table = check(field, tmp_path, with_cells())
    assert not pick(table, "records", "violation")
    assert not pick(table, "records", "warning")
    # 50 gal/acre of a 2 % mix on 8,500 ft2: 0.1951 gal, by hand
    assert pick(table, "records", "info")[-1][1] == "1 of 1 planned units applied, 0.1951 gal of product"


def test_many_rows_that_are_not_filled_in_are_counted(field: Path, tmp_path: Path) -> None:
    table = check(field, tmp_path, lambda rows: rows.extend(dict(rows[0]) for _ in range(11)))
    found = [row[1] for row in pick(table, "records", "warning")]
    assert found == ["applied is blank"] * 10 + ["2 more rows not filled in"]


def test_an_empty_record_is_not_taken_for_work_done(field: Path) -> None:
    table = compare(field, field.parent / "record.csv")
    assert pick(table, "records", "warning") == [
        ("unit P1-02, row 2", "applied is blank", "not filled in: not known whether anything was applied")
    ]
    assert "0 of 1 planned units applied" in pick(table, "records", "info")[-1][1]


@pytest.mark.parametrize(
    ("cells", "where", "found"),
    [
        ({"date": "2027-10-01"}, "date", "2027-10-01"),
        ({"date": "2026-08-01"}, "date", '"2026-08-01", which is 1 Aug 2026'),
        ({"other_product": "glyphosate-upland"}, "product", "glyphosate-upland"),
        ({"product_id": "glyphosate-upland"}, "product", "glyphosate-upland"),
        ({"other_product": "unheard-of"}, "product", "unheard-of"),
        ({"applied": "perhaps"}, "applied", "perhaps"),
    ],
)
def test_what_differs_from_the_plan_is_a_violation(field: Path, tmp_path: Path, cells, where: str, found: str) -> None:
    rows = pick(check(field, tmp_path, with_cells(**cells)), "records", "violation")
    assert (where, found) in [(row[0].rpartition(", ")[2], row[1]) for row in rows]


def test_a_unit_that_the_plan_does_not_have(field: Path, tmp_path: Path) -> None:
    rows = pick(check(field, tmp_path, with_cells(unit_id="P9-01")), "records", "violation")
    assert rows == [("filled.csv, row 2", "unit P9-01", "")]


def test_work_on_ground_where_nothing_is_planned_is_a_violation(field: Path, tmp_path: Path) -> None:
    table = check(field, tmp_path, with_cells(unit_id="P1-01"))
    rows = pick(table, "records", "violation")
    assert ("unit P1-01", "applied, where nothing is planned", "") in rows
    assert any("forbidden within setback POND-15" in row[2] for row in rows)  # it is the strip along the pond
    assert ("unit P1-02", "no row in the record", "not filled in: not known whether anything was applied") in pick(
        table, "records", "warning"
    )


@pytest.mark.parametrize(("share", "said"), [(1.04, False), (1.06, True)])
def test_more_than_five_percent_above_the_rate_is_said(field: Path, tmp_path: Path, share: float, said: bool) -> None:
    fl_oz = 0.02 * 50 * 128 * 8500 / FT2_PER_ACRE * share  # 2 % of 50 gal/acre on 8,500 ft2
    table = check(field, tmp_path, with_cells(product_used_fl_oz=f"{fl_oz:.3f}"))
    notes = [row[2] for row in pick(table, "records", "warning")]
    assert notes == (["more than 5% above the planned rate", "more than 5% above the planned amount"] if said else [])


def test_the_same_amount_on_less_ground_is_a_higher_rate(field: Path, tmp_path: Path) -> None:
    table = check(field, tmp_path, with_cells(area_treated_acre="0.1"))
    row = next(row for row in pick(table, "records", "warning") if "planned rate" in row[2])
    assert row[1] == f"{4 * 8500 / FT2_PER_ACRE / 0.1:.4g} lb ae/acre"


def test_more_ground_than_the_unit_has_is_said(field: Path, tmp_path: Path) -> None:
    table = check(field, tmp_path, with_cells(area_treated_acre="0.3"))
    assert "more than the unit has" in [row[2] for row in pick(table, "records", "violation")]


def test_two_rounds_add_up_against_the_yearly_limit(field: Path, tmp_path: Path) -> None:
    """4 lb twice is the limit of 8 lb; a third round is above it (and above the amount planned from the second on)."""

    def rounds(count: int):
        def fill(rows):
            done = [dict(rows[0]) for _ in range(count)]
            for number, row in enumerate(done):
                complete(row, date=f"2027-08-{number + 1:02d}")
            return done

        return fill

    for count, above in ((2, False), (3, True)):
        rows = pick(check(field, tmp_path, rounds(count)), "records", "violation")
        assert [row[:2] for row in rows] == ([("unit P1-02, year", "12 lb ae/acre")] if above else [])


def test_earlier_work_counts_against_the_yearly_limit(tmp_path: Path) -> None:
    history = [
        {
            "product_id": "glyphosate-aquatic",
            "active": "glyphosate",
            "ae_lb_per_acre": 3.0,
            "date": "2027-03-01",
            "geometry": feet_box(-50, -50, 150, 150),
        }
    ]
    field = deliver(tmp_path / "field", history=history)
    fl_oz = 0.02 * 50 * 128 * 8500 / FT2_PER_ACRE * 1.3  # 5.2 lb on top of 3 lb, of 8 lb
    table = check(field, tmp_path, with_cells(product_used_fl_oz=f"{fl_oz:.4f}"))
    row = next(row for row in pick(table, "records", "violation") if "year" in row[0])
    assert row[1] == "8.2 lb ae/acre, 3 lb ae/acre of it earlier work"


def test_a_label_limit_for_one_application(tmp_path: Path) -> None:
    products = REGISTERED.replace('limit_per_year = "8 lb/acre"', 'limit_per_application = "4 lb/acre"', 1)
    field = deliver(tmp_path / "field", products=products)
    fl_oz = 0.02 * 50 * 128 * 8500 / FT2_PER_ACRE * 1.01
    rows = pick(check(field, tmp_path, with_cells(product_used_fl_oz=f"{fl_oz:.4f}")), "records", "violation")
    assert [row[2] for row in rows] == ["above the label's limit for one application of glyphosate-aquatic"]


# ---- blanks that published lists ask for


@pytest.mark.parametrize("restricted", [False, True])
def test_a_blank_licence_is_a_violation_for_a_restricted_product(tmp_path: Path, restricted: bool) -> None:
    """7 CFR 110.3(a)(5): name and certification number, for restricted use pesticides."""
    products = REGISTERED.replace("aquatic_label = true", "restricted_use = true\naquatic_label = true", 1)
    crew = '[crew]\nsize = 1\nlicensed = 1\nwage = "30 USD/hour"\nsource = "invented for tests"\n'
    field = deliver(tmp_path / "field", products=products if restricted else REGISTERED, operations=crew)
    table = check(field, tmp_path, with_cells(licence="", applicator=""))
    level = "violation" if restricted else "warning"
    rows = pick(table, "records", level)
    assert any("applicator" in row[1] for row in rows)
    assert any("us-federal-restricted-use" in row[2] for row in rows) is restricted


@pytest.mark.parametrize("column", ["wind_speed", "wind_from", "temperature", "time_from", "for_whom", "land_use"])
def test_a_blank_that_a_state_asks_for_is_named(field: Path, tmp_path: Path, column: str) -> None:
    """21.17.50.10(A) NMAC: wind, temperature, time, whom the work was for, site."""
    rows = pick(check(field, tmp_path, with_cells(**{column: ""})), "records", "warning")
    assert rows[0][1] == f"blank: {column.replace('_', ' ')}"
    assert "us-new-mexico" in rows[0][2]


def test_a_product_without_a_registration_number_is_said(tmp_path: Path) -> None:
    field = deliver(tmp_path / "field", products=PRODUCTS)
    rows = pick(check(field, tmp_path, with_cells()), "records", "warning")
    assert [row[1] for row in rows] == ["no registration number"]


def test_work_not_done_is_named_and_nothing_is_asked_of_it(field: Path, tmp_path: Path) -> None:
    table = check(field, tmp_path, lambda rows: rows[0].update(applied="no", notes="wind all week"))
    assert ("unit P1-02", "not applied: wind all week", "") in pick(table, "records", "info")
    assert not pick(table, "records", "warning")


def test_a_partner_in_the_tank_has_a_row_of_its_own(tmp_path: Path) -> None:
    mixed = TREATMENTS.replace(
        "preference", 'tank_mix = [{ product = "triclopyr-amine-aquatic", concentration = "1 %" }]\npreference'
    )
    field = deliver(tmp_path / "field", treatments=mixed)

    def fill(rows):
        assert [row["product_id"] for row in rows] == ["glyphosate-aquatic", "triclopyr-amine-aquatic"]
        # 1 % of 50 gal/acre of a product of 3 lb/gal: 1.5 lb/acre
        assert float(rows[1]["planned_rate_ae_lb_per_acre"]) == pytest.approx(1.5, rel=1e-9)
        for row in rows:
            complete(row)
        rows[1]["product_used_fl_oz"] = str(float(rows[1]["planned_product_fl_oz"]) * 2)

    table = check(field, tmp_path, fill)
    assert not pick(table, "records", "violation")
    assert [(row[0], row[1]) for row in pick(table, "records", "warning")] == [
        ("unit P1-02, row 3, rate", "3 lb ae/acre")
    ]


# ---- saved by an office program


@pytest.mark.parametrize(
    "options",
    [
        {"delimiter": ";"},
        {"delimiter": "\t", "encoding": "utf-16"},
        {"encoding": "utf-8-sig"},
        {"encoding": "cp1252", "lineterminator": "\r\n"},
        {"quoting": 1},
    ],
)
def test_a_copy_that_an_office_program_saved_is_read(field: Path, tmp_path: Path, options) -> None:
    table = check(field, tmp_path, with_cells(notes="café, après-midi"), **options)
    assert not pick(table, "records", "violation")
    assert "1 of 1 planned units applied" in pick(table, "records", "info")[-1][1]


def test_dates_as_stated(field: Path, tmp_path: Path) -> None:
    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells(date="7/14/2027"))
    assert not pick(compare(field, path, date_format="%m/%d/%Y"), "records", "violation")
    # the fourteenth is no month: it reads one way only
    assert not pick(compare(field, path), "records", "violation")


def test_dates_that_read_both_ways_ask(field: Path, tmp_path: Path) -> None:
    """7 May or 5 July: nothing in the file tells, so the review and the history both ask."""
    from tussock.review.records_history import write_history

    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells(date="05.07.2027"))
    rows = pick(compare(field, path), "records", "violation")
    asked = '"05.07.2027" and every other date, which can be read with the month or the day first'
    assert [row[1] for row in rows] == [asked]
    with pytest.raises(
        ValueError, match=r'say which: --date-format "%m.%d.%Y" \(month first\) or "%d.%m.%Y" \(day first\)'
    ):
        write_history(field, path, tmp_path / "h.gpkg")
    assert write_history(field, path, tmp_path / "h.gpkg", "%d.%m.%Y") == 1


def test_day_and_month_that_were_swapped_are_refused(field: Path, tmp_path: Path) -> None:
    """12 July is planned; read with the day first it is 7 December, off the planned days, and is not written."""
    from tussock.review.records_history import write_history

    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells(date="07/12/2027"))
    with pytest.raises(ValueError, match=r'"07/12/2027", read as 7 Dec 2027, off the planned days; 12 Jul 2027 is on'):
        write_history(field, path, tmp_path / "h.gpkg", "%d/%m/%Y")
    assert write_history(field, path, tmp_path / "h.gpkg", "%m/%d/%Y") == 1


def test_dates_outside_the_season_are_refused(field: Path, tmp_path: Path) -> None:
    from tussock.review.records_history import write_history

    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells(date="2028-07-05"))
    with pytest.raises(ValueError, match=r'"2028-07-05", which is 5 Jul 2028; a day of season 2027: mend it'):
        write_history(field, path, tmp_path / "h.gpkg")


def test_an_apostrophe_that_guards_a_formula_is_no_part_of_a_name(tmp_path: Path) -> None:
    from field_site import PATCH

    patch = PATCH | {"patch_id": "=P1", "geometry": feet_box(0, 40, 100, 100)}
    folder = tmp_path / "field"
    plan = plan_field(folder / "site", [patch], products=REGISTERED)
    field = deliver_quickly(plan, folder / "plan")
    write_record(plan, folder / "record.csv")
    assert "'=P1-01" in (folder / "record.csv").read_text()
    assert not pick(check(field, tmp_path, with_cells()), "records", "violation")


@pytest.mark.parametrize(
    ("cells", "where", "said"),
    [
        ({"product_used_fl_oz": "24,9"}, "product_used_fl_oz", "decimal comma"),
        ({"product_used_fl_oz": "1,024.9"}, "product_used_fl_oz", "plain number"),
        ({"product_used_fl_oz": "1.024,9"}, "product_used_fl_oz", "decimal comma"),
        ({"area_treated_acre": "-1"}, "area_treated_acre", "not negative"),
        ({"area_treated_acre": "nan"}, "area_treated_acre", "plain number"),
        ({"area_treated_acre": "1e999"}, "area_treated_acre", "plain number"),
        ({"mix_used_gal": "a lot"}, "mix_used_gal", "plain number"),
        ({"date": "14. July"}, "date", "YYYY-MM-DD"),
        ({"date": "2027-02-30"}, "date", "YYYY-MM-DD"),
        ({"unit_id": ""}, "unit_id", "the unit"),
    ],
)
def test_a_cell_that_cannot_be_read_is_one_clear_finding(field: Path, tmp_path: Path, cells, where, said: str) -> None:
    table = check(field, tmp_path, with_cells(**cells), delimiter=";")
    rows = table[(table["check"] == "records")]
    assert len(rows) == 1
    assert rows.iloc[0]["level"] == "violation"
    assert rows.iloc[0]["where"].endswith(where)
    assert said in rows.iloc[0]["expected"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "no such file"),
        (b"", "an empty file"),
        (b"PK\x03\x04 a workbook", "no CSV text"),
        (b"\x00\x01\x02", "no CSV text"),
        (b"a,b,c\n1,2,3\n", "no unit_id"),
        (b'unit_id,"product', "no CSV table"),
    ],
)
def test_a_file_that_is_no_record_is_one_clear_finding(field: Path, tmp_path: Path, content, said: str) -> None:
    path = tmp_path / "record.csv"
    if content is not None:
        path.write_bytes(content)
    rows = pick(compare(field, path), "records", "violation")
    assert len(rows) == 1
    assert said in rows[0][1]


def test_a_record_cut_short_is_found(field: Path, tmp_path: Path) -> None:
    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells())
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"yes")])
    assert [row[1] for row in pick(compare(field, path), "records", "warning")] == ["applied is blank"]
    path.write_bytes(data[: data.index(b"\n") + 1])
    assert pick(compare(field, path), "records", "violation")[0][1] == "none"


def test_a_record_in_other_units_says_so(field: Path, tmp_path: Path) -> None:
    text = (field.parent / "record.csv").read_text().replace("_acre", "_ha").replace("_fl_oz", "_ml")
    (tmp_path / "f.csv").write_text(text.replace("_gal", "_l"))
    table = compare(field, tmp_path / "f.csv")
    assert "these are metric units, the plan has us ones" in table[table["check"] == "records"]["expected"].iloc[0]


def test_the_review_takes_it_in(field: Path, tmp_path: Path) -> None:
    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells(date="2027-12-01"))
    table = tussock.review_plan(field, records=path)
    assert set(table[table["level"] == "violation"]["check"]) == {"records"}


# ---- the next season


def test_a_record_becomes_the_history_of_the_next_plan(field: Path, tmp_path: Path) -> None:
    """3 lb of the year's 8 lb are used up by what was applied: the same plan of 4 lb then uses 7 of 8."""
    import geopandas as gpd

    from tussock.review.records_history import write_history

    fl_oz = 0.02 * 50 * 128 * 8500 / FT2_PER_ACRE * 0.75
    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells(product_used_fl_oz=f"{fl_oz:.6f}",
                                                                                  date="2027-07-02"))  # fmt: skip
    out = tmp_path / "earlier.gpkg"
    assert write_history(field, path, out) == 1
    layer = gpd.read_file(out)
    assert layer["ae_lb_per_acre"].tolist() == pytest.approx([3.0], rel=1e-4)
    rows = [{**row._asdict()} for row in layer.drop(columns="geometry").itertuples(index=False)]
    history = [row | {"geometry": shape} for row, shape in zip(rows, layer.geometry, strict=True)]
    plan = plan_field(tmp_path / "site", products=REGISTERED, history=history)
    used = plan.units.set_index("status")["annual_limit_used_pct"]["planned"]
    assert used == pytest.approx(100 * 7 / 8, rel=1e-4)
    with pytest.raises(tussock.OutputError, match="is there already"):
        write_history(field, path, out)


SPARSE = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "3 %"
spray_volume = "50 gal/acre"
season = ["07-01", "09-30"]
"""


SPARSE_PATCH = [PATCH | {"cover_pct": "30%", "geometry": feet_box(0, 500, 208.71, 708.71)}]


@pytest.fixture(scope="module")
def sparse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One acre (208.71 ft squared) with plants on 30 % of it, far from the pond.

    3 % of a 4 lb/gal product at 50 gal/acre is 6 lb/acre, on 0.3 acre 0.45 gal or 57.6 fl oz. The limit is 8 lb/acre.
    """
    return deliver(tmp_path_factory.mktemp("sparse"), SPARSE_PATCH, treatments=SPARSE)


def test_a_record_filled_in_by_its_words_gives_the_true_dose_to_the_next_plan(sparse: Path, tmp_path: Path) -> None:
    import geopandas as gpd

    from tussock.review.records_history import write_history

    with (sparse.parent / "record.csv").open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    assert [float(row[f"planned_{name}"]) for name in ("area_acre", "treated_acre", "product_fl_oz")] == pytest.approx(
        [1.0, 0.3, 57.6], rel=1e-4
    )
    path = fill_record(sparse.parent / "record.csv", tmp_path / "f.csv", with_cells(date="2027-07-05"))
    out = tmp_path / "earlier.gpkg"
    assert write_history(sparse, path, out) == 1
    layer = gpd.read_file(out)
    assert layer["ae_lb_per_acre"].tolist() == pytest.approx([6.0], rel=1e-4)
    history = [
        row._asdict() | {"geometry": shape}
        for row, shape in zip(layer.drop(columns="geometry").itertuples(index=False), layer.geometry, strict=True)
    ]
    again = plan_field(tmp_path / "site", SPARSE_PATCH, treatments=SPARSE, history=history)
    assert (again.options["verdict"] == "refused").all()
    assert again.options["reason"].str.contains("12 of 8 lb").all()


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"area_treated_acre": "1.0"}, "1.8 lb ae/acre; 6 lb ae/acre planned: the ground treated is what was wetted"),
        ({"area_treated_acre": "0.5"}, "3.6 lb ae/acre; 6 lb ae/acre planned"),
        ({"area_treated_acre": "1.2"}, "1.2 acre; at most 1 acre: more than the unit has"),
        ({"mix_used_gal": "0.4"}, "57.6 fl oz; at most the mix, 51.2 fl oz: more product than mix"),
    ],
)
def test_figures_that_cannot_both_be_right_are_refused(sparse: Path, tmp_path: Path, cells: dict, said: str) -> None:
    """57.6 fl oz of 4 lb/gal are 1.8 lb: on the gross acre 1.8 lb/acre, on half an acre 3.6, where 6 were planned."""
    from tussock.review.records_history import write_history

    given = {"date": "2027-07-05", "mix_used_gal": "15"} | cells
    path = fill_record(sparse.parent / "record.csv", tmp_path / "f.csv", with_cells(**given))
    with pytest.raises(tussock.InputError, match="row 2, ") as caught:
        write_history(sparse, path, tmp_path / "earlier.gpkg")
    assert said in "\n".join(str(fault) for fault in caught.value.faults)
    assert not (tmp_path / "earlier.gpkg").exists()
    table = check(sparse, tmp_path, with_cells(**given))
    assert [row for row in pick(table, "records", "violation") if row[0].endswith(("area treated", "product used"))]


def test_a_low_rate_can_be_confirmed_and_more_ground_than_there_is_cannot(sparse: Path, tmp_path: Path) -> None:
    from tussock.review.records_history import write_history

    given = {"date": "2027-07-05", "mix_used_gal": "15"}
    low = fill_record(sparse.parent / "record.csv", tmp_path / "low.csv", with_cells(area_treated_acre="0.5", **given))
    assert write_history(sparse, low, tmp_path / "low.gpkg", accept_low_rates=True) == 1
    more = fill_record(
        sparse.parent / "record.csv", tmp_path / "more.csv", with_cells(area_treated_acre="1.2", **given)
    )
    with pytest.raises(tussock.InputError, match="more than the unit has"):
        write_history(sparse, more, tmp_path / "more.gpkg", accept_low_rates=True)


STUMPS = """
[[treatment]]
id = "stumps"
growth_form = ["tree"]
method = "cut_stump"
product = "glyphosate-aquatic"
concentration = "50 %"
spray_volume = "2 gal/acre"
season = ["07-01", "09-30"]
"""


def test_stumps_dosed_by_ground_are_recorded_on_the_ground_that_was_wetted(tmp_path: Path) -> None:
    """2 gal/acre at 50 % of 4 lb/gal are 4 lb/acre; on 30 % of an acre 0.3 gal or 38.4 fl oz. Over 1 acre it read 1.2."""
    import geopandas as gpd

    from tussock.review.records_history import write_history

    trees = [SPARSE_PATCH[0] | {"growth_form": "tree"}]
    field = deliver(tmp_path / "field", trees, treatments=STUMPS)
    with (field.parent / "record.csv").open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    assert float(row["planned_treated_acre"]) == pytest.approx(0.3, rel=1e-4)
    assert float(row["planned_product_fl_oz"]) == pytest.approx(38.4, rel=1e-4)
    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_cells(date="2027-07-05"))
    assert write_history(field, path, tmp_path / "earlier.gpkg") == 1
    assert gpd.read_file(tmp_path / "earlier.gpkg")["ae_lb_per_acre"].tolist() == pytest.approx([4.0], rel=1e-4)


def test_rounds_on_the_same_plants_add_up_although_the_unit_is_larger(sparse: Path, tmp_path: Path) -> None:
    """6 lb/acre on 0.3 acre, twice: the plants stand on 0.3 acre of the unit, so they got 12 lb/acre of 8, not 6."""

    def fill(rows):
        done = [dict(rows[0]), dict(rows[0])]
        for number, row in enumerate(done):
            complete(row, date=f"2027-08-{number + 1:02d}", mix_used_gal="15")
        return done

    rows = pick(check(sparse, tmp_path, fill), "records", "violation")
    assert [row[:2] for row in rows] == [("unit P1-01, year", "12 lb ae/acre")]


def test_halves_treated_on_two_days_do_not_add_up(sparse: Path, tmp_path: Path) -> None:
    """0.15 acre at 6 lb/acre on one day, the other 0.15 on the next: 6 lb/acre of 8 on each."""

    def fill(rows):
        done = [dict(rows[0]), dict(rows[0])]
        for number, row in enumerate(done):
            cells = {"area_treated_acre": "0.15", "product_used_fl_oz": "28.8", "mix_used_gal": "7.5"}
            complete(row, date=f"2027-08-{number + 1:02d}", **cells)
        return done

    assert not pick(check(sparse, tmp_path, fill), "records", "violation")


def test_rows_of_one_day_have_no_more_ground_than_the_unit(field: Path, tmp_path: Path) -> None:
    """8,500 ft2 are 0.195 acre: 0.15 and 0.15 on one day are 0.3."""

    def fill(rows):
        done = [dict(rows[0]), dict(rows[0])]
        for row in done:
            complete(row, area_treated_acre="0.15", product_used_fl_oz="19.2")
        return done

    rows = pick(check(field, tmp_path, fill), "records", "violation")
    assert ("unit P1-02, area treated", "0.3 acre", "more than the unit has") in rows


def test_products_of_one_tank_are_no_more_than_its_mix(tmp_path: Path) -> None:
    """24.98 and 12.49 fl oz in one tank are 37.47: a mix of 0.25 gal holds 32, of 0.3 gal 38.4."""
    from tussock.review.records_history import write_history

    mixed = TREATMENTS.replace(
        "preference", 'tank_mix = [{ product = "triclopyr-amine-aquatic", concentration = "1 %" }]\npreference'
    )
    field = deliver(tmp_path / "field", treatments=mixed)

    def with_mix(gallons: str):
        return lambda rows: [row.update(complete(row, mix_used_gal=gallons) or {}) for row in rows] and None

    rows = pick(check(field, tmp_path, with_mix("0.25")), "records", "violation")
    assert [row[:2] for row in rows] == [("unit P1-02, product used", "37.47 fl oz")]
    assert not pick(check(field, tmp_path, with_mix("0.3")), "records", "violation")
    path = fill_record(field.parent / "record.csv", tmp_path / "f.csv", with_mix("0.25"))
    with pytest.raises(tussock.InputError, match=r"37\.47 fl oz; at most the mix, 32 fl oz"):
        write_history(field, path, tmp_path / "earlier.gpkg")


def test_another_product_over_the_gross_area_is_asked_about(sparse: Path, tmp_path: Path) -> None:
    """No rate was planned for it, so none shows that 1 acre is the gross area, where plants stand on 0.3 of it."""
    from tussock.review.records_history import write_history

    given = {"date": "2027-07-05", "mix_used_gal": "15", "other_product": "glyphosate-upland"}
    gross = with_cells(area_treated_acre="1.0", **given)
    path = fill_record(sparse.parent / "record.csv", tmp_path / "f.csv", gross)
    with pytest.raises(tussock.InputError, match=r"0\.3 acre planned, not the gross area of 1 acre"):
        write_history(sparse, path, tmp_path / "earlier.gpkg")
    wetted = fill_record(sparse.parent / "record.csv", tmp_path / "g.csv", with_cells(**given))
    assert write_history(sparse, wetted, tmp_path / "wetted.gpkg") == 1


def test_a_history_needs_date_amount_and_area(field: Path, tmp_path: Path) -> None:
    from tussock.review.records_history import write_history

    path = fill_record(
        field.parent / "record.csv",
        tmp_path / "f.csv",
        with_cells(date="", product_used_fl_oz="", area_treated_acre=""),
    )
    said = "row 2: found applied, without a date, the product used, the area treated"
    with pytest.raises(tussock.InputError, match=said):
        write_history(field, path, tmp_path / "h.gpkg")
    with pytest.raises(tussock.InputError, match="no application of a product"):
        write_history(field, field.parent / "record.csv", tmp_path / "h.gpkg")
    assert not (tmp_path / "h.gpkg").exists()


# ---- the forms in the folder


@pytest.fixture(scope="module")
def forms(sample_plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample plan with its two forms."""
    return deliver_quickly(sample_plan, tmp_path_factory.mktemp("forms") / "plan")


def test_the_forms_as_written_hold(forms: Path) -> None:
    table = run_checks(load_once(forms), only=["approval"])
    assert not pick(table, "forms", "violation")
    assert pick(table, "forms", "info")[0][1] == "2 forms against plan.gpkg"


def falsify(row: dict[str, str], column: str) -> None:
    """Raise a number by 1 %, change a text."""
    try:
        row[column] = f"{float(row[column]) * 1.01:.12g}"
    except ValueError:
        row[column] = {"yes": "no", "no": "yes"}.get(row[column], f"{row[column]}x")


@pytest.mark.parametrize(
    ("file", "column"),
    [
        ("record.csv", name)
        for name in (
            "unit_id",
            "product_id",
            "registration",
            "active",
            "method",
            "planned_area_acre",
            "planned_treated_acre",
            "planned_product_fl_oz",
            "planned_rate_ae_lb_per_acre",
            "planned_from",
            "planned_to",
            "applied",
            "product_used_fl_oz",
            "licence",
        )
    ]
    + [
        ("proposal.csv", name)
        for name in (
            "species",
            "product_id",
            "registration",
            "active",
            "restricted_use",
            "rate_ae_lb_per_acre",
            "unit_count",
            "area_acre",
            "product_gal",
            "ae_lb",
            "date_from",
            "date_to",
        )
    ],
)
def test_a_form_that_was_changed_is_found(forms: Path, tmp_path: Path, file: str, column: str) -> None:
    if column == "unit_count":
        change = lambda rows: rows[1].update(unit_count="1000")  # noqa: E731
    elif column == "product_used_fl_oz":
        change = lambda rows: rows[1].update(product_used_fl_oz="3")  # noqa: E731
    else:
        change = lambda rows: falsify(rows[1], column)  # noqa: E731
    for item in ("proposal.csv", "record.csv"):
        fill_record(forms / item, tmp_path / item, change if item == file else lambda rows: None)
    table = run_checks(replace(load_once(forms), folder=tmp_path), only=["approval"])
    found = pick(table, "forms", "violation")
    assert found
    assert all(row[0].startswith(file) for row in found)


@pytest.mark.parametrize("file", ["record.csv", "proposal.csv"])
def test_a_form_with_a_row_too_few_or_too_many_is_found(forms: Path, tmp_path: Path, file: str) -> None:
    for change in (lambda rows: rows[1:], lambda rows: [rows[0], *rows]):
        for item in ("proposal.csv", "record.csv"):
            fill_record(forms / item, tmp_path / item, change if item == file else lambda rows: None)
        table = run_checks(replace(load_once(forms), folder=tmp_path), only=["approval"])
        assert [row[0].split(",")[0] for row in pick(table, "forms", "violation")] == [file]
