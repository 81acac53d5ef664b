"""In: a rule or a label, and a treatment. Out: whether it meets the products in the tank, by records and by columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import DELIVERY, LOOK, Combination, Product, Setback, Treatment
from tussock.review.evidence import Evidence
from tussock.review.kinds import speaks_of_water

BoolArray = NDArray[np.bool_]


def means_work(combination: Combination, method: str, product: Product | None) -> bool:
    """Tell whether a combination of a rule set means a method with a product, or without any."""
    if combination.work == "all" or method == LOOK:  # a look is no treatment: only what is about all work means it
        return combination.work == "all" and (method in DELIVERY or method == LOOK)
    if method not in DELIVERY:
        return False
    if combination.method and method not in combination.method:
        return False
    if combination.delivery and DELIVERY[method] not in combination.delivery:
        return False
    label, soil = combination.aquatic_label, combination.soil_active
    if product is None:
        named = bool(combination.method or combination.delivery)
        return named and not combination.active and not combination.form and label is None and soil is None
    return (
        (not combination.active or product.active.casefold() in combination.active)
        and (not combination.form or product.form in combination.form)
        and (label is None or product.aquatic_label is label)
        and (soil is None or product.soil_active is None or product.soil_active is soil)
    )


def means_bare_work(combination: Combination) -> bool:
    """Tell whether a combination can mean work without herbicide at all."""
    return any(means_work(combination, name, None) for name, delivery in DELIVERY.items() if delivery == "none")


def find_about(setback: Setback) -> Combination:
    """Return the work that a rule is about; what asks for something and names none is about every herbicide."""
    if setback.forbids is not None:
        return setback.forbids
    return Combination() if setback.applies_to is None else setback.applies_to


def forbids_treatment(evidence: Evidence, setback: Setback, treatment: Treatment) -> bool:
    """Tell whether a setback forbids a treatment, by any product in its tank or without one, wherever it stands."""
    return setback.forbids is not None and _means_treatment(evidence, setback.forbids, treatment)


def _means_treatment(evidence: Evidence, combination: Combination, treatment: Treatment) -> bool:
    if treatment.product is None:
        return means_work(combination, treatment.method, None)
    tank = [product for product, _ in evidence.components(treatment) if product is not None]
    return any(means_work(combination, treatment.method, product) for product in tank)


def find_forbidden(evidence: Evidence, setback: Setback) -> BoolArray:
    """Tell for each unit whether a setback forbids what is planned there, wherever it stands."""
    if setback.forbids is None:
        return np.zeros(len(evidence.units), dtype=bool)
    return find_meant_work(evidence, setback.forbids)


def find_meant_work(evidence: Evidence, combination: Combination) -> BoolArray:
    """Tell for each unit whether a combination means what is planned there.

    A unit is judged by the treatment that it names and also by its own columns: one whose columns were changed must
    pass by both.
    """
    by_record = [_means_treatment(evidence, combination, treatment) for treatment in evidence.treatments]
    products = evidence.catalog.products
    by_column = [
        (product_id == "" or product_id in products)
        and means_work(combination, method, products[product_id] if product_id else None)
        for method, product_id in evidence.pairs
    ]
    record, column = np.array([*by_record, False], dtype=bool), np.array(by_column, dtype=bool)
    forbidden: BoolArray = record[evidence.unit_treatment] | column[evidence.unit_pair]
    return forbidden


def find_unlisted(evidence: Evidence, method: str, product: Product) -> list[str]:
    """Return the titles of the rule sets that list what they permit and have no row for a product by a method."""
    return [
        ruleset.title
        for ruleset in evidence.catalog.rulesets
        if ruleset.ruleset.listed_only and not any(means_work(row, method, product) for row in ruleset.listed)
    ]


def find_label_faults(treatment: Treatment, product: Product, share: float) -> list[str]:
    """Return what the label of a product does not allow in a treatment, in words."""
    faults = []
    span = product.methods.get(treatment.method)
    if span is None:
        faults.append(f"{treatment.method} is not among the methods of the label of {product.id}")
    elif not is_within(share, span):
        faults.append(f"{share:.4%} of {product.id} is outside the label's {span[0]:.4%} to {span[1]:.4%}")
    if treatment.carrier is not None and treatment.carrier not in product.carrier:
        faults.append(f"{treatment.carrier} is not a carrier of {product.id}")
    if treatment.method == "basal_bark" and product.form != "ester":
        faults.append(f"basal bark takes an oil-soluble ester, {product.id} is a {product.form} (common practice)")
    return faults


def is_within(share: float, span: tuple[float, float]) -> bool:
    """Tell whether a share lies in a range, whatever the rounding."""
    slack = 1e-9
    return span[0] * (1 - slack) <= share <= span[1] * (1 + slack)


def find_standing_faults(evidence: Evidence, treatment: Treatment) -> list[str]:
    """Return what refuses a treatment on every unit: its labels, a set that does not list it, no rules, no licence."""
    faults = []
    for product, share in evidence.components(treatment):
        if product is None:
            faults.append("a product in its tank is in no document")
            continue
        faults += find_label_faults(treatment, product, share)
        faults += [
            f"{product.id} is not listed by {title}" for title in find_unlisted(evidence, treatment.method, product)
        ]
        crew = evidence.catalog.operations.crew if evidence.catalog.operations else None
        if product.restricted_use and (crew is None or crew.licensed == 0):
            faults.append(f"{product.id} is for restricted use, and nobody in the crew is licensed")
    if treatment.product is not None and not evidence.catalog.rulesets:
        faults.append("no rule set is loaded")
    elif treatment.product is not None and not speaks_of_water(evidence):
        faults.append("no loaded rule speaks of water")
    return faults
