"""In: `data/places.toml`. Out: what a kind of access feature states, and which kinds of water a crew wades."""

from __future__ import annotations

from functools import lru_cache
from typing import Final, Literal, TypeAlias, get_args

from tussock.base import units as u
from tussock.base.errors import Fault, InputError
from tussock.trade.tables import read_rows

#: What an access feature states: a place to stand, a launch, ground that a boat works on, a place for a vehicle.
AccessUse: TypeAlias = Literal["standing", "launch", "boat", "vehicle"]
_FILE: Final = "places.toml"


def find_access_use(kind: str) -> AccessUse | None:
    """Return what a kind of access feature states; None for a kind that states nothing known.

    Examples
    --------
    >>> find_access_use("Boat launch"), find_access_use("fence")
    ('launch', None)
    """
    return _access_uses().get(_plain(kind))


def list_access_kinds(use: AccessUse) -> list[str]:
    """Return the kinds of access features that state a use, as files write them."""
    return [kind for kind, states in _access_uses().items() if states == use]


def is_waded(kind: str) -> bool:
    """Tell whether a crew walks into a kind of water as a rule."""
    return _plain(kind) in _waded()


@lru_cache(maxsize=1)
def find_launch_touch_m() -> float:
    """Return how near a launch must lie to a water to touch it [m]."""
    return u.parse_quantity(read_rows(_FILE, "touch")[0]["distance"], "m")


def _plain(kind: str) -> str:
    return kind.strip().casefold()


@lru_cache(maxsize=1)
def _access_uses() -> dict[str, AccessUse]:
    uses: dict[str, AccessUse] = {}
    for place, row in enumerate(read_rows(_FILE, "access")):
        if row.get("states") not in get_args(AccessUse):
            need = f"write one of {', '.join(get_args(AccessUse))}"
            raise InputError(Fault(_FILE, f"access[{place}].states", repr(row.get("states")), need))
        uses |= dict.fromkeys(row["kind"], row["states"])
    return uses


@lru_cache(maxsize=1)
def _waded() -> frozenset[str]:
    return frozenset(kind for row in read_rows(_FILE, "wade") for kind in row["kind"])
