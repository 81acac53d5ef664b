"""In: kinds and species as mapped, and as rules and treatments name them. Out: findings where they do not meet.

A setback runs from features by their kind, so a kind spelled otherwise in the layer than in the rule has none; a
species spelled otherwise in a treatment loses that treatment.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection
from typing import TYPE_CHECKING, Final, Literal

from tussock.base.findings import Finding
from tussock.base.kinds import NO_RULE, RULED_LAYERS, WAIVED, RuledLayer, find_look_out_m
from tussock.base.records import FeatureFilter
from tussock.base.stages import Repaired, Site
from tussock.base.text import show_length

if TYPE_CHECKING:
    import pandas as pd

#: Least likeness of two spellings, 0 to 1, for one to be taken as a slip of the other: "lakes" and "lake" have 0.89.
_LIKENESS: Final = 0.75


def check_kinds(site: Site, repaired: Repaired, kinds: pd.DataFrame) -> list[Finding]:
    """Say which mapped kinds no loaded rule names, and which kinds of a rule look like a slip of a mapped one.

    Parameters
    ----------
    site
        Rule sets.
    repaired
        Water and receptors with their ``kind``.
    kinds
        Which rule runs from which kind, columns of `base.columns.KINDS`.

    Returns
    -------
    list of Finding
        A warning where herbicide is withheld near a kind or its spelling is close to that of another; an information
        where the rule files say that no rule is wanted.
    """
    findings = []
    for name in RULED_LAYERS:
        layer = repaired.layers.get(name)
        if layer is None:
            continue
        filters = [(setback.id, setback.source_filter) for _, setback in site.setbacks()]
        own = [(rule, wanted) for rule, wanted in filters if wanted is not None and wanted.layer == name]
        far = show_length(find_look_out_m(layer.frame, name, site.rulesets), site.options.units)
        told, slips = _check_features(name, {kind for _, wanted in own for kind in wanted.kind}, kinds, far)
        mapped = [kind for kind in sorted(set(layer.frame["kind"])) if kind and kind not in slips]
        findings += told + _check_rules(name, own, mapped)
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


def _check_features(name: RuledLayer, named: set[str], kinds: pd.DataFrame, far: str) -> tuple[list[Finding], set[str]]:
    """Find mapped kinds that no rule of the layer names, and which of them are likely slips.

    Where rules without a kind run from them, only the slips are told.
    """
    findings, slips = [], set()
    own = kinds[kinds["layer"] == name].drop_duplicates(["kind_given", "kind"])
    for row in own.itertuples():
        kind = str(row.kind)
        meant = "" if kind in named or not kind else _find_meant(kind, sorted(named))
        what = f"no loaded rule names this kind ({row.feature_count} mapped)"
        slip = f'; mend the kind or the rule if "{meant}" is meant' if meant else ""
        if row.state == NO_RULE:
            ways = "; name it in a rule, or in a rule file under kinds or no_rule_for"
            done = f"no herbicide is planned within {far} of those{slip or ways}"
        elif row.state == WAIVED:
            done = f"a rule file says that none is wanted: no setback runs from those{slip}"
        elif meant:
            done = f"only rules without a kind run from those{slip}"
        else:
            continue
        level: Literal["info", "warning"] = "info" if row.state == WAIVED and not meant else "warning"
        findings.append(Finding("prescribe", name, f'kind "{row.kind_given}"', what, done, level))
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
