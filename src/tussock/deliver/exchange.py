"""In: a finished folder, and the folder that it is for. Out: that folder holds it whole, or it is as it was.

The new folder is made beside the old one, with links to the files of the user's own, and both change places in one step
of the system. Killed before that step the old plan stands, after it the new one; what a dead run left is cleared away,
or put back, by the next. Where a system has no such step the old folder is moved aside first, and where the folder
cannot be moved (a disk of its own, a closed parent) file by file; a run that dies in between is undone by the next.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tussock.base.errors import OutputError, WrittenError

_LOCK: Final = "lock"
_JOURNAL: Final = "journal.json"
#: Of renameat2 in Linux: both names change places (linux/fs.h), relative to the current folder (fcntl.h).
_RENAME_EXCHANGE: Final = 2
_AT_FDCWD: Final = -100
#: What a system or a disk says that cannot let two folders change places.
_CANNOT: Final = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP)


@dataclass(frozen=True)
class Work:
    """A working folder of one run.

    Attributes
    ----------
    folder
        Beside the target, or in it where the target cannot be moved.
    target
        Folder that the files are for.
    mark
        What tells the new folder from any other: device and inode.
    """

    folder: Path
    target: Path
    mark: tuple[int, int]

    @property
    def new(self) -> Path:
        """Where the new files are written."""
        return self.folder / "new"

    @property
    def within(self) -> bool:
        """Whether the files have to go in one by one."""
        return self.folder.parent == self.target

    def is_done(self) -> bool:
        """Tell whether the target holds the new files."""
        if self.within:
            return (self.folder / "earlier").is_dir() and not _list_names(self.new)
        return _mark(self.target) == self.mark


@contextmanager
def open_work(target: Path) -> Iterator[Work]:
    """Make a working folder for a target; it is gone afterwards, and so is every folder that was made for it in vain.

    Raises
    ------
    WrittenError
        Stopped by hand after the target got the new files; stopped before, the interruption goes on as it is.
    """
    missing = [item for item in target.parents if not item.exists()]
    work, lock, done = None, None, False
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        place, stem = _choose_place(target)
        folder = Path(tempfile.mkdtemp(prefix=f"{stem}{os.getpid()}-", dir=place))
        try:
            lock = _lock(folder / _LOCK)
            (folder / "new").mkdir()
            work = Work(folder, target, _mark(folder / "new") or (0, 0))
            yield work
        finally:
            done = work is not None and work.is_done()
            _clear(folder, target, lock)
    except KeyboardInterrupt as error:
        if done or (work is not None and work.is_done()):
            raise WrittenError(target) from error
        raise
    finally:
        if not done:
            for parent in missing:  # the innermost first
                with suppress(OSError):
                    parent.rmdir()


def put_in_place(work: Work, drop: Collection[str]) -> None:
    """Give the target the new files; everything in it is carried over but what is dropped.

    Parameters
    ----------
    work
        Its folder ``new`` is complete.
    drop
        Names of the files of the earlier plan.

    Raises
    ------
    OSError
        The system refuses a step; the target is as it was once the working folder is gone.
    """
    _settle(work.new)
    if work.within:
        _move_in(work, drop)
    elif not work.target.exists():
        work.new.rename(work.target)
        _sync_if_possible(work.target.parent)
    else:
        _change_places(work, drop)


def recover_target(target: Path) -> list[str]:
    """Clear away what runs that died left of their work, and put back what they had moved.

    Parameters
    ----------
    target
        Folder of a plan, which need not be there.

    Returns
    -------
    list of str
        What was done, in words.

    Raises
    ------
    OSError
        What was moved cannot be put back.
    """
    said = []
    for folder in _list_left(target):
        lock = _lock(folder / _LOCK)
        if lock is None:
            continue  # a run that is at work
        text = _clear(folder, target, lock)
        said.append(f"cleared away: {folder.name}, of a run that ended early" + (f"; {text}" if text else ""))
    return said


# ---- working folders


def _choose_place(target: Path) -> tuple[Path, str]:
    """Return where to work and how names there begin: beside the target, or in it where it cannot be moved."""
    parent = target.parent
    if target.is_dir() and (target.stat().st_dev != parent.stat().st_dev or not os.access(parent, os.W_OK)):
        return target, ".tussock-"
    return parent, f".{target.name}.tussock-"


def _list_left(target: Path) -> list[Path]:
    found: list[Path] = []
    for place, stem in ((target.parent, f".{target.name}.tussock-"), (target, ".tussock-")):
        with suppress(OSError):
            found += [item for item in place.iterdir() if item.name.startswith(stem) and item.is_dir()]
    return sorted(item for item in found if (item / _LOCK).is_file() or not _is_running(item.name))


def _is_running(name: str) -> bool:
    """Tell whether the process that a working folder is named by lives; where it cannot be asked, that it does."""
    number = name.rpartition(".tussock-")[2].partition("-")[0]
    if sys.platform == "win32" or not number.isdecimal():
        return True
    try:
        os.kill(int(number), 0)  # no signal: a question
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _lock(path: Path) -> int | None:
    """Open a file and lock it as long as this process lives; None where another holds it, or locks are not kept."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def _clear(folder: Path, target: Path, lock: int | None) -> str:
    """Undo or finish what a run had begun, then remove its working folder; where that fails, all of it stays."""
    try:
        text = _recover(folder, target)
    except OSError as error:
        raise OutputError(
            f"{folder} holds files of {target} that cannot be put back ({error.strerror or error}): "
            f"close its files in other programs and plan again"
        ) from error
    finally:
        if lock is not None and sys.platform == "win32":  # an open file cannot be removed there
            os.close(lock)
    with suppress(OSError):
        (folder / _JOURNAL).unlink()  # nothing in the working folder is needed any more
    shutil.rmtree(folder, ignore_errors=True)
    if lock is not None and sys.platform != "win32":
        os.close(lock)
    return text


def _recover(folder: Path, target: Path) -> str:
    """Undo or finish what a run had begun; its journal says what it was about to do."""
    try:
        journal: Any = json.loads((folder / _JOURNAL).read_bytes())
        mark, drop, names = tuple(journal["mark"]), journal["drop"], journal["names"]
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return ""  # it had not begun to move anything
    if folder.parent == target:
        return _undo(folder, target, names)
    old = folder / "old"
    if old.is_dir() and not target.exists():
        old.rename(target)
        _sync_if_possible(target.parent)
        return "the earlier plan was put back"
    if _mark(target) == mark:
        _carry_over(old if old.is_dir() else folder / "new", target, drop)
    elif (folder / "new").is_dir():  # what had been moved there already
        _carry_over(folder / "new", target, names)
    return ""


def _write_journal(work: Work, names: Collection[str], drop: Collection[str]) -> None:
    text = json.dumps({"mark": work.mark, "names": sorted(names), "drop": sorted(drop)})
    path = work.folder / _JOURNAL
    path.write_text(text, encoding="utf-8")
    _sync(path)
    _sync(work.folder)


def _list_names(folder: Path) -> set[str]:
    return {item.name for item in folder.iterdir()} if folder.is_dir() else set()


# ---- two folders change places


def _change_places(work: Work, drop: Collection[str]) -> None:
    names = _list_names(work.new)
    _copy_rights(work.target, work.new)
    _link_over(work.target, work.new, drop)
    _write_journal(work, names, drop)
    _swap(work)
    try:
        _carry_over(_find_old(work), work.target, drop)
    except OSError:  # a file of the user's own that cannot be moved: back to the earlier plan
        _swap_back(work)
        raise
    _sync_if_possible(work.target.parent)


def _find_old(work: Work) -> Path:
    old = work.folder / "old"
    return old if old.is_dir() else work.new


def _swap(work: Work) -> None:
    if not _exchange(work.new, work.target):
        work.target.rename(work.folder / "old")
        work.new.rename(work.target)


def _swap_back(work: Work) -> None:
    old = _find_old(work)
    if old == work.new:
        _exchange(work.new, work.target)
    else:
        work.target.rename(work.new)
        old.rename(work.target)


def _exchange(one: Path, two: Path) -> bool:
    """Let two folders change places in one step; say no where the system or the disk cannot."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    if rename(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(two), _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _CANNOT:
        return False
    raise OSError(number, os.strerror(number), str(two))


def _link_over(old: Path, new: Path, drop: Collection[str]) -> None:
    """Give the new folder the files of the user's own too; what cannot be linked is moved after the change."""
    for item in old.iterdir():
        if item.name not in drop:
            try:
                _link(item, new / item.name)
            except OSError:
                shutil.rmtree(new / item.name, ignore_errors=True)  # links and folders made for them


def _link(item: Path, place: Path) -> None:
    if item.is_symlink():
        place.symlink_to(item.readlink())
    elif item.is_dir():
        place.mkdir()
        for inner in item.iterdir():
            _link(inner, place / inner.name)
        _copy_rights(item, place)
    else:
        os.link(item, place)


def _copy_rights(old: Path, new: Path) -> None:
    """Give a folder the owner, rights and times of another, as far as the system lets us."""
    seen = old.stat()
    if sys.platform != "win32":
        with suppress(OSError):
            os.chown(new, seen.st_uid, seen.st_gid)
    with suppress(OSError):
        shutil.copystat(old, new)


def _carry_over(old: Path, place: Path, drop: Collection[str]) -> None:
    """Move what an old folder alone holds; of a file that both hold the newer stays."""
    for item in old.iterdir():
        if item.name not in drop:
            _carry(item, place / item.name)


def _carry(item: Path, place: Path) -> None:
    if not os.path.lexists(place):
        item.rename(place)
    elif item.is_dir() and place.is_dir() and not item.is_symlink():
        for inner in item.iterdir():
            _carry(inner, place / inner.name)
    elif item.lstat().st_mtime_ns > place.lstat().st_mtime_ns:  # of a link to the same file it is the same
        item.replace(place)


# ---- file by file, where the folder cannot be moved


def _move_in(work: Work, drop: Collection[str]) -> None:
    earlier = work.folder / "earlier"
    earlier.mkdir()
    _write_journal(work, _list_names(work.new), drop)
    for name in sorted(drop):
        if (work.target / name).exists():
            (work.target / name).replace(earlier / name)
    for item in sorted(work.new.iterdir()):
        item.replace(work.target / item.name)
    _sync_if_possible(work.target)


def _undo(folder: Path, target: Path, names: Collection[str]) -> str:
    """Put the earlier files back, unless all of the new ones are in."""
    earlier, left = folder / "earlier", _list_names(folder / "new")
    if not left:
        return ""
    for name in set(names) - left:
        (target / name).unlink(missing_ok=True)
    for item in earlier.iterdir():
        item.replace(target / item.name)
    _sync_if_possible(target)
    return "the earlier plan was put back"


# ---- the disk


def _mark(folder: Path) -> tuple[int, int] | None:
    try:
        seen = folder.stat()
    except OSError:
        return None
    return seen.st_dev, seen.st_ino


def _settle(folder: Path) -> None:
    """Let the disk have every file of a folder before the folder counts."""
    for item in folder.iterdir():
        _sync(item)
    _sync(folder)


def _sync(path: Path) -> None:
    if sys.platform == "win32":  # folders cannot be opened there, and files only for writing
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_if_possible(folder: Path) -> None:
    """Let the disk have a change that was made already: no fault, if it takes its time."""
    with suppress(OSError):
        _sync(folder)
