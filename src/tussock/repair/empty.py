"""In: patches, stems. Out: which patches were found empty, by whose word, and what contradicts itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.findings import Finding
from tussock.repair.values import read_words
from tussock.trade.cover import ABSENT

if TYPE_CHECKING:
    import geopandas as gpd

    from tussock.base.stages import Layer

#: Columns in which a mapper says what he found; his ``status``, a name of a result of ours, comes as the second.
_FOUND: Final = ("found", "status_in_file")
_COVER: Final = ("cover_pct", "cover_low_pct", "cover_high_pct")


def mark_empty(
    layer: Layer, patches: gpd.GeoDataFrame, stems: gpd.GeoDataFrame | None
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Mark the patches that were found empty or eradicated.

    Parameters
    ----------
    layer
        The layer as mapped, in the order of the patches: the mapper's words in ``found`` or ``status``.
    patches
        ``cover_pct, cover_low_pct, cover_high_pct, cover_source, stem_count, stems_per_ha``, by ``patch_id``.
    stems
        Rows of the stems layer, which stand for the patch's own stems.

    Returns
    -------
    GeoDataFrame
        With ``found_empty``: what says so, blank where plants were found. A word of the mapper's comes before figures;
        a cover of 0 with stems leaves the cover unknown, 0 stems with a cover the stems.
    list of Finding
        One for each patch found empty, and for each contradiction.
    """
    patches = patches.copy()
    words = _find_words(layer.frame, len(patches))
    count = _count_stems(patches, stems)
    mapped = (patches["cover_source"] == "mapped").to_numpy(dtype=bool)
    high = patches["cover_high_pct"].to_numpy(dtype=float)
    covered, bare = mapped & (high > 0), mapped & (high == 0)
    written = read_words(layer.frame, "cover_pct")
    said = np.array([bool(word) for word in words], dtype=bool)
    found: list[str] = []
    findings: list[Finding] = []
    for place, name in enumerate(patches.index):
        plants = [f"cover {high[place]:g} %"] if covered[place] else []
        plants += ["stems"] if count[place] > 0 else []
        why = ""
        if said[place]:
            why = words[place]
        elif bare[place] and not count[place] > 0:
            why = f"cover {written[place]}"
        elif count[place] == 0 and not covered[place]:
            why = "0 stems"
        found.append(why)
        if why:
            but = f", but {' and '.join(plants)} mapped" if plants else ""
            done = "a look with its hours and no treatment; mend the row if plants stand there"
            findings.append(
                Finding("repair", "infestations", name, f"found empty ({why}){but}", done, "warning" if but else "info")
            )
    unclear = bare & (count > 0) & ~said
    done = "cover is not known: its amounts stay blank"
    findings += [
        Finding("repair", "infestations", name, "cover 0, but stems mapped", done) for name in patches.index[unclear]
    ]
    empty = np.array([bool(why) for why in found], dtype=bool)
    for column in _COVER:
        patches[column] = np.where(empty, 0.0, np.where(unclear, np.nan, patches[column]))
    for column in ("stem_count", "stems_per_ha"):
        own = patches[column].to_numpy(dtype=float)
        patches[column] = np.where((own == 0) & covered & ~empty, np.nan, own)
    patches["found_empty"] = found
    return patches, findings


def _find_words(frame: Any, count: int) -> list[str]:
    """Return the mapper's word for an empty patch; blank where he says something else, or nothing."""
    words = [""] * count
    for column in _FOUND:
        for place, word in enumerate(read_words(frame, column)):
            if not words[place] and word.casefold() in ABSENT:
                words[place] = word
    return words


def _count_stems(patches: gpd.GeoDataFrame, stems: gpd.GeoDataFrame | None) -> NDArray[np.float64]:
    """Return stems of each patch, counted or for an area; nan where none are mapped."""
    own: Any = patches["stem_count"].fillna(patches["stems_per_ha"]).to_numpy(dtype=float)
    if stems is None:
        return np.asarray(own, dtype=np.float64)
    table = stems["stem_count"].fillna(stems["stems_per_ha"]).groupby(stems["patch_id"].astype(str)).sum(min_count=1)
    listed = table.reindex(patches.index.astype(str)).to_numpy(dtype=float)
    filled: NDArray[np.float64] = np.where(np.isnan(listed), own, listed)
    return filled
