"""A run that is killed, stopped by hand or out of room, at each of its steps: the old plan or the new one, whole.

Steps are what the interpreter tells of (PEP 578: opening, making, linking, renaming, removing), counted in a child of this
process. The child is killed, interrupted or refused room just before one of them: every step in turn, and no clock.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest

from tussock.base.errors import OutputError, WrittenError
from tussock.deliver import exchange
from tussock.deliver import folder as delivery
from tussock.plan import Plan

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "fork"), reason="the system cannot copy a process"),
    pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning"),
]
STEPS = {"open", "os.mkdir", "os.link", "os.symlink", "os.rename", "os.remove", "os.rmdir", "os.chmod", "os.utime"}
#: How a child ends.
UNTOUCHED, WRITTEN, STOPPED_BEFORE, STOPPED_AFTER, REFUSED, BROKEN = range(10, 16)
USERS = {
    "notes.txt": b"mine",
    "photos/one.jpg": b"a picture",
    "photos/deep/two.jpg": b"another",
    "approval.json": b"{}",
}


@pytest.fixture
def write_as(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Let a plan have a few files of one word each; give the word."""
    said = [""]

    def list_steps(_: Plan, folder: Path) -> list[delivery._Step]:
        names = ("plan.gpkg", "patch_budget.csv", "map.html")
        return [delivery._Step((name,), lambda name=name: (folder / name).write_text(said[0])) for name in names]

    def write_run_file(_: Plan, path: Path, __: object) -> None:
        outputs = {item.name: "" for item in path.parent.iterdir()}
        path.write_text(json.dumps({"tussock": said[0], "outputs": outputs}))

    monkeypatch.setattr(delivery, "_list_steps", list_steps)
    monkeypatch.setattr(delivery, "write_run_file", write_run_file)
    return lambda word: said.__setitem__(0, word)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def run_child(plan: Plan, target: Path, step: int, act: Callable[[], None]) -> int:
    """Write a plan in a child that acts just before one step; return how it ended, the signal below zero."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    steps, top = count(), str(target.parent)
    acted: list[str] = []

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        reads = event == "open" and not int(arguments[2]) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)  # type: ignore[call-overload]
        if event not in STEPS or not str(arguments[0]).startswith(top) or (reads and act is fill_disk):
            return
        if next(steps) == step:
            acted.append(event)
            act()

    sys.addaudithook(hook)
    end = BROKEN
    try:
        delivery.deliver_plan(plan, target, lambda _: None)
        end = WRITTEN if acted else UNTOUCHED
    except WrittenError:
        end = STOPPED_AFTER
    except KeyboardInterrupt:
        end = STOPPED_BEFORE
    except OutputError:
        end = REFUSED
    finally:
        os._exit(end)


def list_ends(
    plan: Plan, folder: Path, write_as: Callable[[str], None], act: Callable[[], None]
) -> Iterator[tuple[int, int, Path, str]]:
    """Write a new plan over an old one again and again, acting at one step after the other.

    Yields step, end, folder, and what stands in it: ``old``, ``new``, ``none`` or ``mixed``.
    """
    write_as("old")
    delivery.deliver_plan(plan, folder / "first" / "plan", lambda _: None)
    for name, content in USERS.items():
        (folder / "first" / "plan" / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / "first" / "plan" / name).write_bytes(content)
    whole = {"old": contents(folder / "first" / "plan")}
    shutil.copytree(folder / "first", folder / "second")
    write_as("new")
    delivery.deliver_plan(plan, folder / "second" / "plan", lambda _: None)
    whole["new"] = contents(folder / "second" / "plan")
    assert whole["old"]["map.html"] == b"old"
    assert whole["new"]["map.html"] == b"new"
    for step in range(1000):
        place = folder / f"run{step}"
        shutil.copytree(folder / "first", place)
        end = run_child(plan, place / "plan", step, act)
        found = contents(place / "plan")
        yield step, end, place / "plan", next((name for name, files in whole.items() if files == found), "mixed")
        if end == UNTOUCHED:  # there are no more steps
            assert contents(place) == {f"plan/{name}": data for name, data in whole["new"].items()}
            return
        # planning again works, and leaves the new plan and nothing else
        delivery.deliver_plan(plan, place / "plan", lambda _: None)
        assert contents(place) == {f"plan/{name}": data for name, data in whole["new"].items()}, step
        assert [item.name for item in place.iterdir()] == ["plan"], step
        shutil.rmtree(place)
    pytest.fail("it does not come to an end")


def kill() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def interrupt() -> None:
    raise KeyboardInterrupt


def fill_disk() -> None:
    raise OSError(28, "No space left on device")


def test_killed_at_every_step_the_plan_is_the_old_or_the_new(small_plan, tmp_path, write_as):
    if not exchange._exchange(*_two_folders(tmp_path)):
        pytest.skip("this system cannot let two folders change places")
    found = [state for _, _, _, state in list_ends(small_plan, tmp_path, write_as, kill)]
    assert set(found) == {"old", "new"}
    assert found == sorted(found, reverse=True)  # from one step on it is the new one
    assert found.count("new") > 2  # killed while clearing away, too


def _two_folders(folder: Path) -> tuple[Path, Path]:
    one, two = folder / "one", folder / "two"
    one.mkdir()
    two.mkdir()
    return one, two


def test_killed_where_folders_cannot_change_places(small_plan, tmp_path, write_as, monkeypatch):
    # the old folder is moved aside first: killed right then, it is missing until the next run puts it back
    monkeypatch.setattr(exchange, "_exchange", lambda *_: False)
    found = []
    for _, end, target, state in list_ends(small_plan, tmp_path, write_as, kill):
        if end != UNTOUCHED and not target.exists():
            found.append("none")
            exchange.recover_target(target)
            assert contents(target)["map.html"] == b"old"
            assert {name: contents(target)[name] for name in USERS} == USERS
        else:
            found.append(state)
    assert set(found) == {"old", "none", "new"}


def test_killed_where_files_go_in_one_by_one(small_plan, tmp_path, write_as, monkeypatch):
    # a folder that cannot be moved: whatever a killed run leaves, the next makes it whole before it begins
    open_ = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: (Path(path) / "plan").is_dir() is False and open_(path, mode))
    found = []
    for step, end, target, state in list_ends(small_plan, tmp_path, write_as, kill):
        assert {name: (target / name).read_bytes() for name in USERS} == USERS
        if end != UNTOUCHED:
            exchange.recover_target(target)
            now = {name: data for name, data in contents(target).items() if name not in USERS}
            assert len({now["map.html"], now["plan.gpkg"], now["patch_budget.csv"]}) == 1, step
            assert not [item.name for item in target.iterdir() if item.name.startswith(".")]
        found.append(state)
    assert "mixed" in found  # while it works; a folder that can be moved is never mixed


@pytest.mark.parametrize("in_one_step", [True, False])
def test_stopped_by_hand_at_every_step(small_plan, tmp_path, write_as, monkeypatch, in_one_step):
    if not in_one_step:
        monkeypatch.setattr(exchange, "_exchange", lambda *_: False)
    ends = {}
    for _, end, _, state in list_ends(small_plan, tmp_path, write_as, interrupt):
        ends.setdefault(end, set()).add(state)
    # what is said is true: "nothing was changed" only beside the old plan
    assert ends == {STOPPED_BEFORE: {"old"}, STOPPED_AFTER: {"new"}, UNTOUCHED: {"new"}}


def test_out_of_room_at_every_step(small_plan, tmp_path, write_as):
    ends = {}
    for _, end, _, state in list_ends(small_plan, tmp_path, write_as, fill_disk):
        ends.setdefault(end, set()).add(state)
    assert ends[REFUSED] == {"old"}
    assert ends[WRITTEN] == ends[UNTOUCHED] == {"new"}  # a link that is not made, or rests that stay for a while
    assert len(ends) == 3


def test_a_run_at_work_is_left_alone(small_plan, tmp_path, write_as):
    write_as("new")
    with exchange.open_work(tmp_path / "plan") as work:
        (work.new / "half.txt").write_text("half")
        delivery.deliver_plan(small_plan, tmp_path / "plan", lambda _: None)
        assert (work.new / "half.txt").read_text() == "half"
    assert [item.name for item in tmp_path.iterdir()] == ["plan"]


def test_what_a_dead_run_left_is_told(small_plan, tmp_path, write_as):
    write_as("new")
    left = tmp_path / ".plan.tussock-1-x"
    (left / "new").mkdir(parents=True)
    (left / "lock").touch()
    said: list[str] = []
    delivery.deliver_plan(small_plan, tmp_path / "plan", said.append)
    assert said[0] == "cleared away: .plan.tussock-1-x, of a run that ended early"


def test_a_newer_file_of_the_user_is_not_lost_to_a_dead_run(small_plan, tmp_path, write_as):
    # killed between the change of the folders and the end: the user writes to the file, then plans again
    write_as("old")
    target = tmp_path / "plan"
    delivery.deliver_plan(small_plan, target, lambda _: None)
    (target / "notes.txt").write_text("first")
    ends = []
    for step in range(1000):
        end = run_child(small_plan, target, step, kill)
        ends.append(end)
        (target / "notes.txt").unlink()
        (target / "notes.txt").write_text(f"written after run {step}")
        delivery.deliver_plan(small_plan, target, lambda _: None)
        assert (target / "notes.txt").read_text() == f"written after run {step}"
        if end == UNTOUCHED:
            break
    assert ends[-1] == UNTOUCHED
    assert set(ends[:-1]) == {-signal.SIGKILL}
