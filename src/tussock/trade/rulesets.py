"""In: the name of a published rule set. Out: its TOML as a plain dict, for the reader that checks the user's sets."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Any

from tussock.base.errors import Fault, MissingInputError


def packaged_names() -> list[str]:
    """Return the names of the rule sets that ship, sorted.

    Examples
    --------
    >>> "usfs-siuslaw-a1" in packaged_names()
    True
    """
    folder = resources.files("tussock.trade").joinpath("data", "rulesets")
    return sorted(file.name.removesuffix(".toml") for file in folder.iterdir() if file.name.endswith(".toml"))


def read_packaged(name: str) -> dict[str, Any]:
    """Read one packaged rule set.

    Parameters
    ----------
    name
        Name of the set in any case, with or without ``.toml``.

    Returns
    -------
    dict
        The file as TOML gives it; a new one on every call.

    Raises
    ------
    MissingInputError
        No set of that name; lists those that ship.
    """
    return tomllib.loads(read_packaged_text(name))


def read_packaged_text(name: str) -> str:
    """Return the text of one packaged rule set, for hashing and for copying into a site (see `read_packaged`)."""
    wanted = name.strip().casefold().removesuffix(".toml")
    names = packaged_names()
    if wanted not in names:
        raise MissingInputError(
            Fault("rules", f'packaged rule set "{name}"', "no such set", f"name one of {', '.join(names)}, or a file")
        )
    return resources.files("tussock.trade").joinpath("data", "rulesets", f"{wanted}.toml").read_text(encoding="utf-8")
