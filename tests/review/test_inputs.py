"""With the site file at hand: inputs by their hash, documents by their content."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

import tussock
from tussock.review.folder import review_folder


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A copy of the sample site."""
    source = tussock.sample_path().parent
    shutil.copytree(source, tmp_path / "site", ignore=shutil.ignore_patterns("*.py"))
    return tmp_path / "site" / tussock.sample_path().name


def find_inputs(table):
    """Violations of the check of inputs."""
    return table[(table["check"] == "inputs") & (table["level"] == "violation")]


def test_the_inputs_of_the_plan_are_found_again(sample_folder: Path, site: Path) -> None:
    assert find_inputs(review_folder(sample_folder, site)).empty


def test_without_the_site_file_it_says_so(sample_folder: Path) -> None:
    table = review_folder(sample_folder, None)
    assert table.loc[table["check"] == "inputs", "found"].tolist() == ["not checked: no site file was given"]


def test_a_rule_changed_after_the_plan_is_named_with_its_key(sample_folder: Path, site: Path) -> None:
    rules = site.parent / "rules.toml"
    text = rules.read_text(encoding="utf-8")
    assert 'distance = "100 ft"' in text
    rules.write_text(text.replace('distance = "100 ft"', 'distance = "90 ft"', 1), encoding="utf-8")
    found = find_inputs(review_folder(sample_folder, site))
    assert found["where"].str.contains(r"setback\[1\].distance").any()
    assert found["where"].eq("rules, rules.toml").any()


def test_a_rule_changed_in_the_plan_is_named_with_its_key(sample_folder: Path, site: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(sample_folder, tmp_path / "plan"))
    run = json.loads((folder / "run.json").read_bytes())
    rules = next(item for item in run["documents"] if item["role"] == "rules")
    rules["content"]["setback"][0]["source"] = "another clause"
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    found = find_inputs(review_folder(folder, site))
    assert found["where"].tolist() == ["run.json, rules rules.toml, setback[1].source"]


def test_a_layer_changed_or_gone_is_named(sample_folder: Path, site: Path) -> None:
    (site.parent / "site.gpkg").write_bytes(b"x")
    assert find_inputs(review_folder(sample_folder, site))["where"].str.startswith("layer ").all()
    (site.parent / "site.gpkg").unlink()
    found = find_inputs(review_folder(sample_folder, site))
    assert (found["found"] == "no such file beside the site file").all()


def test_a_site_file_that_is_not_there_is_one_finding(sample_folder: Path, tmp_path: Path) -> None:
    found = find_inputs(review_folder(sample_folder, tmp_path / "none.toml"))
    assert found["found"].tolist() == ["no such file"]
