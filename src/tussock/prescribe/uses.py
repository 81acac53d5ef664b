"""In: the setbacks in force on a unit. Out: what they leave open, in one of four classes for maps and reviewers."""

from __future__ import annotations

from itertools import product as combine
from typing import Final

from tussock.base.records import DELIVERY, STEM_METHODS
from tussock.base.stages import Site
from tussock.prescribe.judge import Ground

NO_HERBICIDE: Final = "no herbicide"
HAND_ONLY: Final = "hand methods only"
AQUATIC_ONLY: Final = "aquatic-labelled only"
OPEN: Final = "open"

Probe = tuple[str, str, str, bool, bool]


def find_allowed_use(site: Site, ground: Ground) -> str:
    """Class a unit by the combinations of method and product that its setbacks leave open all year.

    Parameters
    ----------
    site
        Products whose labelled methods are tried; without products, every delivery with and without aquatic label.
    ground
        Setbacks in force. Those of a season do not count: they close dates, not the unit.

        Near a kind that no rule names nothing is open.

    Returns
    -------
    str
        `NO_HERBICIDE`, `HAND_ONLY`, `AQUATIC_ONLY` or `OPEN`.
    """
    if ground.unruled:
        return NO_HERBICIDE
    forbids = [
        item.setback.forbids
        for item in ground.in_force
        if item.setback.forbids is not None and item.setback.season is None and not item.setback.unless_surveyed
    ]
    left = [
        (method, aquatic)
        for method, active, form, aquatic, soil in _list_probes(site)
        if not any(
            rule.matches(method=method, active=active, form=form, aquatic_label=aquatic, soil_active=soil)
            for rule in forbids
        )
        and (aquatic or not ground.in_water)
        and _is_listed(site, method, active, form, aquatic)
    ]
    if not left:
        return NO_HERBICIDE
    if all(DELIVERY[method] == "hand" for method, _ in left):
        return HAND_ONLY
    return AQUATIC_ONLY if all(aquatic for _, aquatic in left) else OPEN


def _list_probes(site: Site) -> list[Probe]:
    if site.products:
        return [
            (method, item.active, item.form, item.aquatic_label, item.soil_active)
            for item in site.products.values()
            for method in item.methods
        ]
    methods = [name for name, delivery in DELIVERY.items() if delivery != "none" and name not in STEM_METHODS]
    return [(method, "any", "salt", aquatic, False) for method, aquatic in combine(methods, (True, False))]


def _is_listed(site: Site, method: str, active: str, form: str, aquatic: bool) -> bool:
    return all(
        any(row.matches(method=method, active=active, form=form, aquatic_label=aquatic) for row in item.listed)
        for item in site.rulesets
        if item.ruleset.listed_only
    )
