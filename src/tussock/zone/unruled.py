"""In: units, features, rule sets. Out: which units lie near a kind of feature that no rule names, and how near."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from tussock.base.columns import UNRULED
from tussock.base.kinds import RULED_LAYERS, find_unnamed
from tussock.zone.features import Groups
from tussock.zone.nearness import Measures
from tussock.zone.rules import SLACK_M

if TYPE_CHECKING:
    import pandas as pd

    from tussock.base.records import Ruleset
    from tussock.base.stages import Cell


def find_unruled(
    cell: Cell,
    rulesets: Sequence[Ruleset],
    look_out_m: Mapping[str, float],
    accuracy_m: Mapping[str, float],
    measures: Measures,
    units: pd.DataFrame,
    groups: Groups,
) -> pd.DataFrame:
    """Return the units that lie near a kind without a rule.

    Parameters
    ----------
    cell
        Features.
    rulesets
        Every set that is loaded.
    look_out_m
        How far the rules of each layer look out [m].
    accuracy_m
        Positional accuracy of each layer [m]; that of the patches and of the layer add to the distance.
    measures
        Measures the units.
    units
        Indexed by unit, with ``patch_id``.
    groups
        Makes the groups of features.

    Returns
    -------
    DataFrame
        SI columns of `base.columns.UNRULED`, one row for each unit and kind: the nearest feature and its distance.
    """
    import pandas as pd

    tables = []
    for layer in RULED_LAYERS:
        frame = cell.water if layer == "water" else cell.receptors
        unnamed = find_unnamed(frame, layer, rulesets) if len(frame) else np.zeros(0, dtype=bool)
        error = accuracy_m["infestations"] + accuracy_m[layer]
        for kind in sorted(set(frame["kind"][unnamed])):
            group = groups.make(frame, unnamed & (frame["kind"] == kind).to_numpy(dtype=bool))
            measure = measures.take(group)
            near = np.flatnonzero(measure.achieved <= look_out_m[layer] + error + SLACK_M)
            facts = {
                "unit_id": units.index.to_numpy()[near],
                "patch_id": units["patch_id"].to_numpy()[near],
                "layer": layer,
                "kind": kind,
                "feature": group.label[measure.nearest.owner[near]],
                "achieved_m": measure.achieved[near],
                "looks_out_m": look_out_m[layer],
                "error_m": error,
            }
            tables.append(pd.DataFrame(facts))
    filled = [table for table in tables if len(table)]
    if not filled:
        return pd.DataFrame({column.si_name: [] for column in UNRULED})
    return pd.concat(filled, ignore_index=True)
