"""In: a delivered folder. Out: findings, recomputed from the files alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["approve_folder", "review_folder"]


def review_folder(folder: Path, site_path: Path | None = None, **brought: Any) -> pd.DataFrame:
    """Review a delivered folder, with its site file where one is given; one row for each finding.

    ``brought`` is what the reviewer brings along: see `tussock.review_plan`.
    """
    from tussock.review import folder as reviewer

    return reviewer.review_folder(folder, site_path, reviewer.bring(**brought))


def approve_folder(folder: Path, *, despite_violations: bool, **signed: Any) -> Path:
    """Review a delivered folder and write its approval; see `tussock.approve_plan`."""
    from tussock.review import folder as reviewer

    return reviewer.approve_reviewed(folder, despite_violations=despite_violations, **signed)
