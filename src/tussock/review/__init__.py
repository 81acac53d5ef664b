"""In: a delivered folder. Out: findings, recomputed from the files alone."""

from tussock.review.folder import review_folder

__all__ = ["review_folder"]
