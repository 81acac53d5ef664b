"""In: a delivered folder. Out: findings, recomputed from the files alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["review_folder"]


def review_folder(folder: Path, site_path: Path | None = None) -> pd.DataFrame:
    """Review a delivered folder, with its site file where one is given; one row for each finding."""
    from tussock.review.folder import review_folder as review

    return review(folder, site_path)
