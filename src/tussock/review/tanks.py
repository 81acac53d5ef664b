"""In: a rule or a label, and a treatment. Out: whether it meets the products in the tank, by records and by columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import DELIVERY, Combination, Product, Setback, Treatment
from tussock.review.evidence import Evidence

BoolArray = NDArray[np.bool_]


def matches_product(combination: Combination, method: str, product: Product) -> bool:
    """Tell whether a combination of a rule set means a product by a method."""
    return method in DELIVERY and combination.matches(
        method=method,
        active=product.active,
        form=product.form,
        aquatic_label=product.aquatic_label,
        soil_active=product.soil_active,
    )


def forbids_treatment(evidence: Evidence, setback: Setback, treatment: Treatment) -> bool:
    """Tell whether a setback forbids a treatment, by any product in its tank, wherever it stands."""
    return setback.forbids is not None and any(
        product is not None and matches_product(setback.forbids, treatment.method, product)
        for product, _ in evidence.components(treatment)
    )


def find_forbidden(evidence: Evidence, setback: Setback) -> BoolArray:
    """Tell for each unit whether a setback forbids what is planned there, wherever it stands.

    A unit is judged by the treatment that it names and also by its own columns: one whose columns were changed must
    pass by both.
    """
    forbids = setback.forbids
    if forbids is None:
        return np.zeros(len(evidence.units), dtype=bool)
    by_record = [forbids_treatment(evidence, setback, treatment) for treatment in evidence.treatments]
    products = evidence.catalog.products
    by_column = [
        product_id in products and matches_product(forbids, method, products[product_id])
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
        if ruleset.ruleset.listed_only and not any(matches_product(row, method, product) for row in ruleset.listed)
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
    return faults
