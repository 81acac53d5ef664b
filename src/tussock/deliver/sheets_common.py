"""In: a plan. Out: the pages that all sheets share: cautions in full, products, methods, rules with their sources."""

from __future__ import annotations

from typing import Any, Final

from tussock.base.records import Product
from tussock.deliver import cautions as said
from tussock.deliver.sheets_binder import Binder
from tussock.deliver.sheets_layout import (
    SMALL_PT,
    Block,
    Flow,
    Paper,
    Piece,
    bold,
    facts_table,
    heading,
    para,
    share_widths,
    table,
)
from tussock.deliver.sheets_unit import describe_reach, describe_rule
from tussock.trade.methods import METHODS

_BLANK_PT: Final = 25.0


def list_common_blocks(binder: Binder, paper: Paper) -> list[Block]:
    """Return the blocks that are read before work, once for all sheets.

    Parameters
    ----------
    binder
        The plan.
    paper
        Room on a page.
    """
    wide = paper.inner_width
    cautions = [para(f"- {text}") for text in said.list_cautions(binder.plan)]
    blocks = [Block((heading("Cautions for every sheet"), *cautions)), Block(tuple(_blanks(wide)))]
    parts = (_methods(binder), _products(binder, wide), _rules(binder, wide))
    return [*blocks, *[Block(tuple(flows)) for flows in parts if flows]]


def _blanks(wide: float) -> list[Flow]:
    rows = [[para(bold(name)), ""] for name in said.BLANKS]
    form = table(rows, share_widths(wide, [1.2, 2]), heights=[_BLANK_PT] * len(rows))
    return [heading("To be filled in before the sheets go out"), form]


def _products(binder: Binder, wide: float) -> list[Flow]:
    """Return the products that some unit takes, in a tank mix too: what their records say for the field."""
    chosen = {str(name) for name in binder.plan.units["product_id"]}
    chosen |= {
        item.product
        for name in binder.plan.units["treatment_id"]
        for item in getattr(binder.treatments.get(str(name)), "tank_mix", ())
    }
    rows = [(name, _describe_product(product)) for name, product in binder.plan.site.products.items() if name in chosen]
    return [heading("Products"), facts_table(rows, wide, _LABEL_PT)] if rows else []


_LABEL_PT: Final = 168.0


def _describe_product(product: Product) -> list[Piece]:
    label = "aquatic label" if product.aquatic_label else "no aquatic label: never over or into water"
    pieces: list[Piece] = [f"{product.active}, {product.form}; {label}"]
    if product.signal_word:
        pieces += ["; ", bold(product.signal_word)]
    if product.restricted_use:
        pieces.append(bold("; restricted use: certified applicator only"))
    if product.soil_active:
        pieces.append("; active in soil: keep off the roots of trees to be kept")
    limits = {
        "Wind": product.wind,
        "Temperature": product.temperature,
        "Heat": product.heat_limit,
        "Rain": product.rain,
        "Re-entry": product.reentry,
        "Wear": ", ".join(product.ppe),
    }
    for name, text in limits.items():
        if text or name != "Heat":
            pieces += [". ", bold(f"{name}: "), text or "see label"]
    return [*pieces, f". Figures from: {product.source}"]


def _methods(binder: Binder) -> list[Flow]:
    used = {str(name) for name in binder.plan.units["method"]}
    flows = [
        para(bold(f"{METHODS[name].title}: "), " ".join(METHODS[name].cautions), size=SMALL_PT)
        for name in METHODS
        if name in used
    ]
    return [heading("Care with each method"), *flows] if flows else []


def _rules(binder: Binder, wide: float) -> list[Flow]:
    """Return every rule that is in force somewhere, with the document that it comes from."""
    found = {str(row["setback_id"]) for rows in binder.distances.values() for row in rows}
    names = ("Rule, distance", "What it means", "Source")
    rows: list[list[Any]] = [[para(bold(name), size=SMALL_PT) for name in names]]
    for setback_id, (ruleset, setback) in binder.setbacks.items():
        if setback_id in found:
            cells: tuple[list[Piece], ...] = (
                [bold(setback_id), f", {describe_reach(setback, binder.system)}"],
                describe_rule(ruleset, setback),
                [setback.source],
            )
            rows.append([para(*pieces, size=SMALL_PT) for pieces in cells])
    form = table(rows, share_widths(wide, [2.45, 3.05, 2.0]), head=True, pad=(1, 2.5))
    return [heading("Rules in force on some unit"), form] if len(rows) > 1 else []
