"""In: doses planned, earlier applications, outlines of units. Out: all uses of an active on each piece of ground."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.review.applied import list_applied
from tussock.review.columns import read_number
from tussock.review.evidence import Evidence
from tussock.trade.actives import key_active

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

#: Ground in common with a record of earlier work under this, and under half of the unit, is a shared edge [m2]; so is a
#: piece of a unit where outlines of other patches cross.
_EDGE_M2: Final = 0.05
#: What the tables of uses hold.
_RECORDS: Final = {"entry": int, "unit": int, "dose": float, "stems": float, "product_id": "str", "date": "str"}
_OTHERS: Final = {
    "entry": int,
    "piece": int,
    "unit": int,
    "patch": int,
    "dose": float,
    "stems": float,
    "product_id": "str",
}


@dataclass(frozen=True)
class Ledger:
    """What is put on each piece of ground: `applied.list_applied`, with earlier work and other patches.

    Earlier work is of any year, or of one label year: `in_year`.
    """

    evidence: Evidence

    @cached_property
    def applied(self) -> pd.DataFrame:
        """One row for each unit and product in its tank; its place is the ``entry`` of the other tables."""
        return list_applied(self.evidence)

    def in_year(self, year: tuple[str, str], touched: BoolArray) -> Ledger:
        """Return the ledger with the records of one label year, on the units whose days touch it."""
        records = self.records
        kept = records["date"].between(*year).to_numpy(dtype=bool) & touched[records["unit"].to_numpy(dtype=np.intp)]
        _ = self.applied, self.others, self.shared  # found once for all years
        other = Ledger(self.evidence)
        vars(other).update(vars(self) | {"records": records[kept].reset_index(drop=True)})
        return other

    @cached_property
    def records(self) -> pd.DataFrame:
        """Pairs of an application and a record of earlier work with the same active on its ground.

        Columns ``entry, unit, dose, stems, product_id, date``.
        """
        import pandas as pd

        layer = self.evidence.delivered.layers.get("history")
        if layer is None or not len(layer) or not len(self.applied):
            return _make_empty(_RECORDS)
        unit, record, _ = find_covered(self.evidence)
        listed = pd.DataFrame(
            {
                "record": np.arange(len(layer)),
                "active": list(map(key_active, self.evidence.record_active)),
                "product_id": self.evidence.record_product,
                "dose": np.nan_to_num(read_number(layer, "ae_kg_per_ha")),
                "stems": np.nan_to_num(read_number(layer, "stems_per_ha")),
                "date": layer["date"].astype(str).str[:10] if "date" in layer.columns else "",
            }
        )
        pairs = pd.DataFrame({"unit": unit, "record": record}).merge(listed, on="record")
        own = self.applied[["unit", "active"]].rename_axis("entry").reset_index()
        return own.merge(pairs, on=["unit", "active"])[list(_RECORDS)]

    @cached_property
    def shared(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of units of two patches on one ground, both ways round, and the area in common [m2]."""
        return find_shared(self.evidence)

    @cached_property
    def others(self) -> pd.DataFrame:
        """Uses of the same active by other patches on each piece of the ground of each application.

        Columns ``entry``, ``piece`` (a number for each piece of its ground where units of other patches stand
        together), ``unit, patch`` (of the other use), ``dose`` (of all products of the active in that tank), ``stems``,
        ``product_id`` (one row for each of those products).
        """
        import pandas as pd

        pieces = find_pieces(self.evidence, self.shared)
        if not pieces or not len(self.applied):
            return _make_empty(_OTHERS)
        rows = [(own, number, other) for number, (own, others) in enumerate(pieces) for other in others]
        own = self.applied[["unit", "active"]].rename_axis("entry").reset_index()
        stacked = pd.DataFrame(rows, columns=["own", "piece", "unit"])
        use = self.applied[["unit", "active", "tank", "stems", "product_id"]].rename(columns={"tank": "dose"})
        joined = own.rename(columns={"unit": "own"}).merge(stacked, on="own").merge(use, on=["unit", "active"])
        joined["patch"] = self.evidence.unit_patch[joined["unit"].to_numpy(dtype=np.intp)]
        return joined[list(_OTHERS)]

    def sum_records(self, column: str) -> FloatArray:
        """Add up a column of the records for each application."""
        return _sum_by(self.records["entry"], self.records[column], len(self.applied))

    def list_grounds(self, others: FloatArray, records: FloatArray) -> pd.DataFrame:
        """Return every piece of the ground of each application with what all uses on it put there.

        Parameters
        ----------
        others, records
            A limit of the label of each row of the tables, inf where it has none.

        Returns
        -------
        DataFrame
            ``entry``, ``dose, stems`` of the other patches, ``plain`` (how many of those uses are not by stems) and
            ``limit``, the strictest of the labels used on that piece by others or in earlier work. Each application has
            a row where nothing of others stands: it is there on other ground, or held by fewer labels.
        """
        import pandas as pd

        count = len(self.applied)
        early = np.full(count, np.inf)
        np.minimum.at(early, self.records["entry"].to_numpy(dtype=np.intp), records)
        alone = pd.DataFrame({"entry": np.arange(count), "dose": 0.0, "stems": 0.0, "plain": 0, "limit": np.inf})
        table = self.others.assign(limit=others)
        labels = table.groupby(["entry", "piece"])["limit"].min()
        once = table.drop_duplicates(["entry", "piece", "unit"])
        once = once.assign(plain=(once["stems"] <= 0).astype(int))
        summed = once.groupby(["entry", "piece"])[["dose", "stems", "plain"]].sum()
        pieces = summed.assign(limit=labels).reset_index().drop(columns="piece")
        grounds = pd.concat([alone, pieces], ignore_index=True)
        return grounds.assign(limit=np.minimum(grounds["limit"], early[grounds["entry"].to_numpy(dtype=np.intp)]))


def _make_empty(kinds: dict[str, Any]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in kinds.items()})


def _sum_by(place: pd.Series[Any], values: pd.Series[Any], count: int) -> FloatArray:
    return np.bincount(place.to_numpy(dtype=np.intp), values.to_numpy(dtype=float), minlength=count).astype(np.float64)


def find_covered(evidence: Evidence) -> tuple[IntArray, IntArray, FloatArray]:
    """Return pairs of unit and record of earlier work on its ground (rows of the history layer), and the area [m2]."""
    ground, outline = evidence.outlines("history"), evidence.unit_ground
    unit, record = shapely.STRtree(ground).query(outline, predicate="intersects")
    area = shapely.area(shapely.intersection(outline[unit], ground[record])) * evidence.unit_scale[unit]
    covered = (area > _EDGE_M2) | (area > evidence.unit_area_m2[unit] / 2)
    return unit[covered].astype(np.intp), record[covered].astype(np.intp), area[covered]


def find_shared(evidence: Evidence) -> tuple[IntArray, IntArray, FloatArray]:
    """Return pairs of units of two patches with ground in common, both ways round, and its area [m2].

    Patches with less than the sliver area in common are left alone, and so are slivers of their units.
    """
    first, second, planar = evidence.unit_pairs
    place = evidence.unit_patch
    apart = (place[first] != place[second]) & (place[first] >= 0) & (place[second] >= 0)
    first, second = first[apart], second[apart]
    area = planar[apart] * evidence.unit_scale[first]
    count = max(len(evidence.patches), 1)
    low, high = np.minimum(place[first], place[second]), np.maximum(place[first], place[second])
    _, pair = np.unique(low * count + high, return_inverse=True)
    together = np.bincount(pair, area) if len(pair) else np.empty(0)
    least = evidence.catalog.sliver_area_m2
    kept = (together[pair] >= least) & (area > least) if len(pair) else np.zeros(0, dtype=bool)
    first, second, area = first[kept], second[kept], area[kept]
    return np.r_[first, second], np.r_[second, first], np.r_[area, area]


def find_pieces(evidence: Evidence, shared: tuple[IntArray, IntArray, FloatArray]) -> list[tuple[int, tuple[int, ...]]]:
    """Return the pieces of each unit that the outlines of units of other patches cut it into.

    Each is a unit and the units that stand on that piece of it; pieces with nothing of others are left out.
    """
    first, second, _ = shared
    if not len(first):
        return []
    order = np.lexsort((second, first))
    first, second = first[order], second[order]
    starts = np.flatnonzero(np.r_[True, first[1:] != first[:-1]])
    pieces: list[tuple[int, tuple[int, ...]]] = []
    for own, others in zip(first[starts].tolist(), np.split(second, starts[1:]), strict=True):
        stacks = {(int(others[0]),)} if len(others) == 1 else _cut_up(evidence, own, others)
        pieces += [(own, stack) for stack in sorted(stacks)]
    return pieces


def _cut_up(evidence: Evidence, own: int, others: IntArray) -> set[tuple[int, ...]]:
    """Cut a unit along the outlines of several others: all lines are noded, each face is asked who stands there."""
    ground, theirs = evidence.unit_ground[own], evidence.unit_ground[others]
    inside = shapely.intersection(theirs, ground)
    lines = shapely.union_all(shapely.boundary(np.append(inside, ground)))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(lines)))
    faces = faces[shapely.area(faces) * evidence.unit_scale[own] > _EDGE_M2]
    points = shapely.point_on_surface(faces)
    there = shapely.contains_properly(theirs[:, None], points[None, :])
    stacks = {tuple(others[column].tolist()) for column in there.T[shapely.contains_properly(ground, points)]}
    return {stack for stack in stacks if stack} | {(int(other),) for other in others}
