"""In: a name or a folder. Out: the sample site that ships with the package, or a copy of it to work on."""

from __future__ import annotations

import shutil
from pathlib import Path

from tussock.base.errors import Fault, InputError, OutputError

_FILES = ("site.gpkg", "site.toml", "rules.toml", "products.toml", "treatments.toml", "operations.toml", "README.md")


def _find_folder() -> Path:
    """Return the folder of the sample: beside the package when installed, in the source tree otherwise."""
    installed = Path(__file__).parents[1] / "sample"
    return installed if installed.is_dir() else Path(__file__).parents[3] / "sample_data"


def sample_path(name: str = "preserve") -> Path:
    """Return the site file of a sample.

    Parameters
    ----------
    name
        ``"preserve"`` (the invented preserve) or ``"small"`` (three patches).

    Raises
    ------
    InputError
        Another name.
    """
    if name not in ("preserve", "small"):
        raise InputError(Fault("sample", "name", f'"{name}"', 'write "preserve" or "small"'))
    folder = _find_folder()
    return folder / "site.toml" if name == "preserve" else folder / "small" / "site.toml"


def write_sample(folder: str | Path) -> Path:
    """Copy the sample site into a folder and return its site file.

    Raises
    ------
    InputError
        The folder already holds one of the files: nothing is overwritten.
    OutputError
        The folder is a file, or cannot be written.
    """
    folder = Path(folder)
    there = [name for name in _FILES if (folder / name).exists()]
    if there:
        raise InputError(Fault(str(folder), "folder", f"{', '.join(there)} already there", "name an empty folder"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in _FILES:
            shutil.copyfile(_find_folder() / name, folder / name)
    except FileExistsError as error:
        raise OutputError(f"{folder} is a file: name a folder for the sample, or move the file away") from error
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise OutputError(f"{folder} cannot be written: {reason}; name a folder that you may write to") from error
    return folder / "site.toml"
