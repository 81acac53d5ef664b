"""In: kinds and species as mapped, and as rules and treatments name them. Out: findings where they do not meet.

A setback runs from features by their kind, so a kind spelled otherwise in the layer than in the rule would lose its
setback without a word; a species spelled otherwise in a treatment loses that treatment.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection
from typing import Final

from tussock.base.findings import Finding
from tussock.base.records import FeatureFilter
from tussock.base.stages import LayerName, Repaired, Site

#: Least likeness of two spellings, 0 to 1, for one to be taken as a slip of the other: "lakes" and "lake" have 0.89.
_LIKENESS: Final = 0.75


def check_kinds(site: Site, repaired: Repaired) -> list[Finding]:
    """Say which mapped kinds no loaded rule names, and which kinds of a rule look like a slip of a mapped one.

    Parameters
    ----------
    site
        Rule sets.
    repaired
        Water and receptors with their ``kind``.

    Returns
    -------
    list of Finding
        A warning where the spelling of a known kind is close, so that a slip is likely, else an information.
    """
    layers: tuple[LayerName, ...] = ("water", "receptors")
    findings = []
    for name in layers:
        layer = repaired.layers.get(name)
        filters = [(setback.id, setback.source_filter) for _, setback in site.setbacks()]
        own = [(rule, wanted) for rule, wanted in filters if wanted is not None and wanted.layer == name]
        if layer is not None and own:
            counts = {str(kind): int(count) for kind, count in layer.frame["kind"].value_counts().items() if kind}
            told, slips = _check_features(name, own, counts)
            findings += told + _check_rules(name, own, [kind for kind in counts if kind not in slips])
    return findings


def check_species(site: Site, repaired: Repaired) -> list[Finding]:
    """Say which species of a treatment look like a slip of one that is mapped, and that no patch has.

    Parameters
    ----------
    site
        Treatments.
    repaired
        Patches with their ``species``.

    Returns
    -------
    list of Finding
        A warning for each such name; a species that is merely not on the site is not told.
    """
    mapped = {name.casefold(): name for name in repaired.layers["infestations"].frame["species"] if name}
    findings = []
    for treatment in site.treatments or ():
        named = {name.casefold() for name in treatment.species}
        for name in [name for name in treatment.species if name.casefold() not in mapped]:
            meant = _find_meant(name.casefold(), sorted(set(mapped) - named))
            if meant:
                what = f'the treatment is for "{name}", which no patch is mapped as; "{mapped[meant]}" is'
                done = "the treatment is not for those patches; mend the name if they are meant"
                findings.append(Finding("prescribe", "treatments", treatment.id, what, done))
    return findings


def _check_features(
    name: str, rules: list[tuple[str, FeatureFilter]], counts: dict[str, int]
) -> tuple[list[Finding], set[str]]:
    """Find mapped kinds that no rule of the layer names, and which of them are likely slips.

    Where a rule takes every kind, only the slips are told.
    """
    taken = any(not wanted.kind for _, wanted in rules)
    named = {kind for _, wanted in rules for kind in wanted.kind}
    findings, slips = [], set()
    for kind in sorted(set(counts) - named):
        meant = _find_meant(kind, sorted(named))
        if taken and not meant:
            continue
        what = f"no loaded rule names this kind ({counts[kind]} mapped)"
        done = "only rules without a kind run from those" if taken else "no setback runs from those"
        done += f'; mend the kind or the rule if "{meant}" is meant' if meant else ""
        findings.append(Finding("prescribe", name, f'kind "{kind}"', what, done, "warning" if meant else "info"))
        slips |= {kind} if meant else set()
    return findings, slips


def _check_rules(name: str, rules: list[tuple[str, FeatureFilter]], mapped: list[str]) -> list[Finding]:
    """Find kinds of a rule that nothing is mapped as, while a kind spelled nearly so is, which the rule leaves out."""
    findings = []
    for rule, wanted in rules:
        for kind in [kind for kind in wanted.kind if kind not in mapped]:
            meant = _find_meant(kind, [other for other in mapped if other not in wanted.kind])
            if meant:
                what = f'the rule names "{kind}", which nothing in the layer {name} is mapped as; "{meant}" is'
                done = "no setback of this rule runs from those; mend the rule or the kinds if they are meant"
                findings.append(Finding("prescribe", "rules", rule, what, done))
    return findings


def _find_meant(kind: str, known: Collection[str]) -> str:
    """Return the known kind that another may be a slip of; an empty text where none is near."""
    return next(iter(difflib.get_close_matches(kind, known, n=1, cutoff=_LIKENESS)), "")
