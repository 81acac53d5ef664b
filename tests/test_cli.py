"""The commands as a person runs them: exit codes, what is said, and where."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

import tussock
from tussock import cli


def run(*arguments):
    command = [sys.executable, "-m", "tussock", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """The three-patch sample, planned by the command."""
    folder = tmp_path_factory.mktemp("cli") / "plan"
    result = run("plan", tussock.sample_path("small"), "--out", folder)
    assert result.returncode == 0, result.stderr
    return folder, result


def test_plan_says_what_it_did_and_the_cautions(planned):
    folder, result = planned
    assert f"written to {folder}" in result.stdout
    assert "The label is the law" in result.stdout
    assert "writing plan.gpkg" in result.stderr  # progress does not mix with the summary


def test_quiet_says_nothing(planned, tmp_path):
    result = run("plan", tussock.sample_path("small"), "--out", tmp_path / "plan", "--quiet")
    assert (result.returncode, result.stdout, result.stderr) == (0, "", "")


def test_help_cuts_no_line_short():
    commands = run("--help").stdout.partition("Commands:")[2]
    assert "make-key" in commands
    assert "..." not in commands


def test_sample_onto_a_file_is_one_clear_error(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("mine")
    result = run("example", path)
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == f"tussock: {path} is a file: name a folder for the sample, or move the file away\n"
    assert path.read_text() == "mine"


def test_review_of_a_clean_plan(planned):
    result = run("review", planned[0], "--site", tussock.sample_path("small"))
    assert result.returncode == 0
    assert "meets the loaded rules as mapped" in result.stdout
    assert "compliant" not in result.stdout


def test_review_of_a_changed_total_exits_with_1(planned, tmp_path):
    copy = tmp_path / "plan"
    copy.mkdir()
    for item in planned[0].iterdir():
        (copy / item.name).write_bytes(item.read_bytes())
    table = copy / "patch_budget.csv"
    head, first, *rest = table.read_text().splitlines()
    cells = first.split(",")
    place = head.split(",").index("area_acre")
    cells[place] = str(float(cells[place]) * 2)
    table.write_text("\n".join([head, ",".join(cells), *rest]) + "\n")
    result = run("review", copy, "--quiet")
    assert result.returncode == 1
    assert "violation" in result.stdout


@pytest.mark.parametrize("arguments", [("plan", "nowhere.toml", "--out", "x"), ("inspect", "nowhere.toml")])
def test_missing_site_file(arguments, tmp_path):
    result = run(*arguments)
    assert result.returncode == 2
    assert "nowhere.toml" in result.stderr
    assert "Traceback" not in result.stderr


def test_review_of_no_plan_never_passes(tmp_path):
    result = run("review", tmp_path / "nothing")
    assert result.returncode != 0
    assert "Traceback" not in result.stderr
    assert "no violation found" not in result.stdout


def test_example_writes_a_site_that_plans(tmp_path):
    result = run("example", tmp_path / "mine")
    assert result.returncode == 0
    assert (tmp_path / "mine" / "site.toml").is_file()
    again = run("example", tmp_path / "mine")
    assert again.returncode == 2
    assert "already there" in again.stderr
    site = tussock.read_site(tmp_path / "mine" / "site.toml")
    assert len(site.layers["infestations"].frame) >= 40


def test_inspect_says_what_is_wrong(tmp_path):
    result = run("inspect", tussock.sample_path("preserve"))
    assert result.returncode == 0
    for words in ("infestations", "Self-intersection", "before", "class or percent?", "likely the same patch"):
        assert words in result.stdout


def test_calibrate_shows_its_working():
    # common practice, no source: 700 mL/min, 5 gal/acre, 200 ft2 takes 7.449 s
    result = run("calibrate", "timed-spot", "--area", "200 ft2", "--rate", "5 gal/acre", "--flow", "700 mL/min")
    assert "7.4487 s" in result.stdout
    assert "working:" in result.stdout
    wrong = run("calibrate", "timed-spot", "--area", "200 oz", "--rate", "5 gal/acre", "--flow", "700 mL/min")
    assert wrong.returncode == 2
    assert "--area" in wrong.stderr


def test_unknown_command_is_one_clear_error():
    result = run("plant")
    assert result.returncode == 2
    assert "No such command" in result.stderr


def test_a_folder_that_is_a_file_is_refused_before_the_work(tmp_path):
    taken = tmp_path / "plan"
    taken.write_text("mine")
    result = run("plan", tussock.sample_path("small"), "--out", taken)
    assert result.returncode == 2
    assert f"{taken} is a file" in result.stderr
    assert "reading" not in result.stdout + result.stderr
    assert taken.read_text() == "mine"


@pytest.mark.parametrize("moment", ["while planning", "while it tells"])
def test_what_is_said_when_a_run_is_stopped_by_hand_is_true(moment, tmp_path, monkeypatch, capsys):
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    def write(folder: Path, _: object) -> None:
        folder.mkdir()
        (folder / "run.json").write_text("{}")

    made = SimpleNamespace(write=write)
    monkeypatch.setattr("tussock.plan.make_plan", stop if moment == "while planning" else lambda *_, **__: made)
    monkeypatch.setattr("tussock.cli._summarise", stop)
    command = ["tussock", "plan", str(tussock.sample_path("small")), "--out", str(tmp_path / "out")]
    monkeypatch.setattr(sys, "argv", command)
    with pytest.raises(SystemExit) as stopped:
        cli.main()
    said = capsys.readouterr().err.strip().splitlines()[-1]
    written = (tmp_path / "out" / "run.json").is_file()
    assert (written, said) == (
        (False, "stopped; nothing was changed")
        if moment == "while planning"
        else (True, f"stopped; the new plan was written to {tmp_path / 'out'} before")
    )
    assert stopped.value.code == 2
