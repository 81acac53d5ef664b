"""In: why a patch could not be cut. Out: the words by which it is set aside, alike in every output."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tussock.base.text import join_words

if TYPE_CHECKING:
    import pandas as pd

#: What to do about it.
DRAW_ANEW: Final = "draw it anew, without edges that run onto each other"


def describe_set_aside(why: str) -> str:
    """Say that a patch was not cut, and what stood in the way."""
    return f"the outline could not be cut so that its units tile it ({why})"


def refuse_set_aside(why: str) -> str:
    """Refuse every treatment of a patch that was not cut, and say what would unlock it."""
    return f"set aside: {describe_set_aside(why)}; unlock: {DRAW_ANEW}"


def name_set_aside(patches: pd.DataFrame) -> str:
    """Name the patches that were set aside; blank where there is none."""
    names = [str(name) for name in patches.loc[patches["set_aside"].astype(str) != "", "patch_id"]]
    if not names:
        return ""
    patch = "one patch" if len(names) == 1 else f"{len(names)} patches"
    return f"not planned, {patch} set aside since the outline could not be cut: {join_words(names)}"
