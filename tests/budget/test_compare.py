"""Two written plans side by side: a wider setback, worked by hand; other units; wrong folders."""

from __future__ import annotations

import subprocess
import sys

import pytest
import shapely

import tussock
from site_factory import Sites, feet_box
from tussock import compare_plans
from tussock.budget.compare import list_lines

CREEK = {"kind": "stream", "state": "wet", "width_ft": 10.0, "geometry": shapely.LineString([(0, -900), (0, 900)])}
PATCHES = [
    {
        "patch_id": name,
        "species": "reed",
        "growth_form": "herbaceous",
        "cover_pct": 100,
        "geometry": feet_box(5, south, 305, south + 400),
    }
    for name, south in (("P1", 0), ("P2", 1000))
]
FAR = {
    "patch_id": "P3",
    "species": "reed",
    "growth_form": "herbaceous",
    "cover_pct": 100,
    "geometry": feet_box(700, 0, 900, 200),
}


@pytest.fixture(scope="module")
def folders(tmp_path_factory, operations, treatments, no_spray):
    """The same site with 50 ft, with 100 ft, and with 100 ft in metric units."""
    made = {}
    for name, feet, units in (("a", 50, "us"), ("b", 100, "us"), ("metric", 100, "metric")):
        sites = Sites(tmp_path_factory.mktemp(name))
        path = sites.write(
            [*PATCHES, FAR],
            water=[CREEK],
            rules=no_spray(feet),
            treatments=treatments,
            operations=operations,
            site=f'units = "{units}"',
        )
        made[name] = sites.folder / "plan"
        tussock.make_plan(tussock.read_site(path)).write(made[name])
    return made


def test_a_wider_setback_in_one_line(folders):
    """50 ft more along 2 x 400 ft is 0.9183 acre: pulled at 0.05 instead of sprayed at 0.25 acre/hour.

    Pulling takes 18.365 h, spraying took 3.673 h and some loads of 12 min: 18.37 gal less over the two patches.
    """
    acres = 2 * 400 * 50 / 43560
    found = compare_plans(folders["a"], folders["b"])
    patches = found.patches.set_index("patch_id")
    assert list(patches.index) == ["P1", "P2"]  # P3 is the same in both
    assert -patches["sprayed_acre_change"].sum() == pytest.approx(acres, rel=1e-4)
    assert patches["area_acre_change"].abs().sum() == 0
    # mix of a patch: from 250 x 400 ft to 200 x 400 ft at 20 gal/acre, in loads of 4 gal
    loads = [-(-width * 400 / 43560 * 20 // 4) for width in (250, 200)]
    hours = acres / 0.05 - acres / 0.25 - 2 * (loads[0] - loads[1]) * 12 / 60
    assert patches["crew_hours_change"].sum() == pytest.approx(hours, rel=1e-3)
    assert found.lines[0].startswith(
        f"NO-SPRAY, 100 ft instead of 50 ft: {acres:.1f} acres lose spray, {hours:.0f} more crew hours"
    )
    assert found.rules[["setback_id", "change", "key", "a", "b"]].values.tolist() == [
        ["NO-SPRAY", "changed", "distance", "50 ft", "100 ft"]
    ]


def test_treatments_verdicts_and_products_tell_the_same(folders):
    acres = 2 * 400 * 50 / 43560
    found = compare_plans(folders["a"], folders["b"])
    area = found.treatments.groupby("treatment_id")["area_acre_change"].sum()
    assert area.to_dict() == pytest.approx({"spot": -acres, "pull": acres}, rel=1e-4)
    assert found.verdicts["treatment_id"].tolist() == ["spot", "spot"]
    assert found.verdicts["allowed_acre_change"].sum() == pytest.approx(-acres, rel=1e-4)
    product = found.products.set_index("product_id").loc["glyphosate-aquatic"]
    assert product["product_gal_change"] == pytest.approx(-acres * 20 * 0.02, rel=1e-4)
    assert product["ae_lb_change"] == pytest.approx(-acres * 20 * 0.02 * 4, rel=1e-4)


def test_a_plan_and_itself(folders):
    found = compare_plans(folders["a"], folders["a"])
    assert found.lines == (
        "same rules: no change in crew hours, no change in USD",
        "0 of 3 patches differ; 0 products in other amounts",
    )
    assert [len(table) for table in (found.rules, found.patches, found.treatments, found.verdicts, found.products)] == [
        0
    ] * 5


def test_other_units_are_the_same_plan(folders):
    found = compare_plans(folders["b"], folders["metric"])
    assert len(found.patches) == 0
    assert "units: metric instead of us" in found.lines
    assert found.season["change"].abs().max() < 1e-6


def test_the_order_turns_the_sign(folders):
    there, back = compare_plans(folders["a"], folders["b"]), compare_plans(folders["b"], folders["a"])
    assert there.patches["cost_change"].tolist() == pytest.approx((-back.patches["cost_change"]).tolist())
    assert "acres gain spray" in back.lines[0]


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "tussock", *map(str, arguments)], capture_output=True, text=True, check=False
    )


def test_the_command(folders):
    done = run("compare", folders["a"], folders["b"])
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("NO-SPRAY, 100 ft instead of 50 ft: 0.9 acres lose spray")
    assert "patch P1: sprayed acre -0.46" in done.stdout
    assert "patch P3" not in done.stdout


def test_a_folder_without_a_plan(folders, tmp_path):
    done = run("compare", folders["a"], tmp_path)
    assert done.returncode == 2
    assert "run.json: found no such file; name a folder that `tussock plan` wrote" in done.stderr
    with pytest.raises(tussock.MissingInputError, match=r"run\.json: found no such file"):
        compare_plans(tmp_path, folders["a"])


def test_a_file_that_is_no_plan(folders, tmp_path):
    (tmp_path / "run.json").write_text("[]")
    for name in ("plan.gpkg", "product_budget.csv"):
        (tmp_path / name).write_bytes((folders["a"] / name).read_bytes())
    with pytest.raises(tussock.InputError, match="a file that is no plan"):
        compare_plans(folders["a"], tmp_path)
    (tmp_path / "run.json").write_bytes((folders["a"] / "run.json").read_bytes())
    (tmp_path / "product_budget.csv").write_text("product_id\nglyphosate-aquatic\n")
    with pytest.raises(tussock.InputError, match=r"a file that is no plan .*product_gal"):
        compare_plans(folders["a"], tmp_path)


def test_plans_of_two_sites(folders, tmp_path, no_spray):
    sites = Sites(tmp_path)
    other = {**FAR, "patch_id": "Q1"}
    site = tussock.read_site(sites.write([other], water=[CREEK], rules=no_spray(50)))
    tussock.make_plan(site).write(tmp_path / "plan")
    with pytest.raises(tussock.InputError, match=r"no patch of .*; compare two plans of one site"):
        compare_plans(folders["a"], tmp_path / "plan")


def test_what_one_plan_does_not_know_is_no_change(tmp_path, operations, treatments):
    """Plan B has no price for what is sprayed: its cost is blank, not nothing, and no money is saved by that."""
    made = []
    for name, text in (("a", operations), ("b", operations.replace('"glyphosate-aquatic"', '"glyphosate-upland"'))):
        (tmp_path / name).mkdir()
        sites = Sites(tmp_path / name)
        plan = sites.plan([PATCHES[0]], treatments=treatments, operations=text)
        made.append(plan.write(tmp_path / name / "plan"))
    found = compare_plans(*made)
    assert found.patches["cost_change"].isna().tolist() == [True]
    assert found.lines[0] == (
        "same rules: no change in crew hours, no change in USD, cost without 1 patch that one plan does not know"
    )
    assert list(list_lines(found))[-1] == "patch P1: cost known in plan A only"


def test_costs_in_two_currencies_are_compared_nowhere(tmp_path, operations, treatments):
    made = []
    for name, text in (("a", operations), ("b", operations.replace("USD", "CAD").replace("size = 3", "size = 2"))):
        (tmp_path / name).mkdir()
        sites = Sites(tmp_path / name)
        made.append(sites.plan([PATCHES[0]], treatments=treatments, operations=text).write(tmp_path / name / "plan"))
    found = compare_plans(*made)
    assert "cost not compared: USD and CAD" in found.lines[0]
    assert found.patches["cost_change"].isna().all()
    assert not any("cost +" in line or "cost -" in line for line in list_lines(found))


# ------------------------------------------------------------ one cause at a time


@pytest.fixture(scope="module")
def dearer(tmp_path_factory, operations, treatments, no_spray):
    """Plans at 40 instead of 36 USD an hour, with the rule of 50 ft and with that of 100 ft."""
    made = {}
    for name, feet in (("wage", 50), ("both", 100)):
        sites = Sites(tmp_path_factory.mktemp(name))
        path = sites.write(
            [*PATCHES, FAR],
            water=[CREEK],
            rules=no_spray(feet),
            treatments=treatments,
            operations=operations.replace("36 USD/hour", "40 USD/hour"),
            site='units = "us"',
        )
        made[name] = sites.folder / "plan"
        tussock.make_plan(tussock.read_site(path)).write(made[name])
    return made


def test_a_wage_is_not_blamed_on_the_rules(folders, dearer):
    """Every hour costs 4 USD more, and nothing else changes."""
    found = compare_plans(folders["a"], dearer["wage"])
    hours = found.season.set_index("item").loc["crew time", "likely_a"]
    assert found.causes[["cause", "detail", "crew_hours"]].values.tolist() == [["prices", "wage", 0.0]]
    assert found.causes["cost"].iloc[0] == pytest.approx(4 * hours, rel=1e-9)
    assert found.lines[0] == "same rules: no change in crew hours, no change in USD"
    assert found.lines[1] == f"other prices (wage): {4 * hours:,.0f} more USD"


def test_a_rule_and_a_wage_each_have_their_own_part(folders, dearer):
    """The rule at the old wage changes what it changes alone; the wage is 4 USD for each hour of the new plan."""
    rule = compare_plans(folders["a"], folders["b"]).causes.set_index("cause")
    assert rule.index.tolist() == ["rules"]
    found = compare_plans(folders["a"], dearer["both"])
    causes = found.causes.set_index("cause")
    hours = found.season.set_index("item").loc["crew time", "likely_b"]
    assert causes.loc["rules", "cost"] == pytest.approx(rule.loc["rules", "cost"], rel=1e-9)
    assert causes.loc["prices", "cost"] == pytest.approx(4 * hours, rel=1e-9)
    total = found.season.set_index("item").loc["cost", "change"]
    assert causes["cost"].sum() == pytest.approx(total, rel=1e-9)


def test_causes_that_two_plans_cannot_tell_apart_are_the_rest(folders, tmp_path, operations, treatments, no_spray):
    sites = Sites(tmp_path)
    path = sites.write(
        [*PATCHES, FAR],
        water=[CREEK],
        rules=no_spray(100),
        treatments=treatments,
        operations=operations.replace("0.25 acre/hour", "0.20 acre/hour"),
        site='units = "us"',
    )
    tussock.make_plan(tussock.read_site(path)).write(tmp_path / "plan")
    found = compare_plans(folders["a"], tmp_path / "plan")
    assert found.causes[["cause", "detail"]].values.tolist() == [["the rest", "rules, times and rates"]]
    assert "all that differs together (rules, times and rates), not told apart" in found.lines[0]


def test_a_container_written_anew_is_not_another_input(folders, tmp_path, operations, treatments, no_spray):
    """The same rows in another order, in a file with other bytes."""
    sites = Sites(tmp_path)
    path = sites.write(
        [FAR, *reversed(PATCHES)],
        water=[CREEK],
        rules=no_spray(50) + "\n# a remark\n",
        treatments=treatments,
        operations=operations,
        site='units = "us"',
    )
    tussock.make_plan(tussock.read_site(path)).write(tmp_path / "plan")
    found = compare_plans(folders["a"], tmp_path / "plan")
    assert not [line for line in found.lines if line.startswith("input files")]
    assert len(found.causes) == 0
