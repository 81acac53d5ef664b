"""In: an active and the salt or ester sold, or their formulae. Out: weight ratio acid / compound, and ae <-> ai.

Labels state active ingredient (ai: the salt or ester) and acid equivalent (ae: its acid alone); limits are in ae.
The ratio follows from the chemical formulae; molar masses come from the optional package ``molmass``.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final

from tussock.base.errors import MissingExtraError, QuantityError
from tussock.base.records import Form, Record, Text
from tussock.trade.tables import read_rows

_ADVICE: Final = (
    'the weight of a formula needs the package "molmass"; install it with: pip install "tussock[chemistry]"'
)


class Compound(Record):
    """One salt or ester of an acid: formulae of the acid, of the compound, and of the base or alcohol in it."""

    active: Text
    name: Text
    form: Form
    acid: Text
    formula: Text
    partner: Text
    source: Text


def weigh_formula(formula: str) -> float:
    """Return the molar mass of a chemical formula [g/mol].

    Raises
    ------
    MissingExtraError
        The optional package is not installed.
    QuantityError
        Not a chemical formula.
    """
    try:
        import molmass  # optional extra
    except ImportError as error:
        raise MissingExtraError(_ADVICE) from error
    try:
        return float(molmass.Formula(formula).mass)
    except molmass.FormulaError as error:
        raise QuantityError(f'"{formula}", which is not a chemical formula; write such as "C3H8NO5P"') from error


def find_acid_ratio(acid: str, compound: str, *, acids_per_compound: int = 1) -> float:
    """Return the share of a salt's or ester's weight that is acid.

    Parameters
    ----------
    acid, compound
        Chemical formulae of the acid and of the salt or ester.
    acids_per_compound
        Molecules of acid in one of the compound.

    Returns
    -------
    float
        Acid equivalent in one weight of active ingredient, above 0 and at most 1.

    Raises
    ------
    QuantityError
        Not a formula, or a compound that is lighter than its acid.
    MissingExtraError
        The optional package for molar masses is not installed.
    """
    ratio = acids_per_compound * weigh_formula(acid) / weigh_formula(compound)
    if ratio > 1:
        raise QuantityError(f"{compound} is lighter than the acid {acid} in it; are the two exchanged?")
    return ratio


@lru_cache(maxsize=1)
def _compounds() -> dict[tuple[str, str], Compound]:
    records = (Compound.model_validate(row) for row in read_rows("actives.toml", "compound"))
    return {(record.active.casefold(), record.name.casefold()): record for record in records}


def list_compounds() -> Mapping[tuple[str, str], Compound]:
    """Return the salts and esters that ship, by active and name (lower case)."""
    return dict(_compounds())


def find_ratio(active: str, name: str) -> float:
    """Return the acid ratio of a salt or ester that ships, such as glyphosate and "isopropylamine salt".

    Raises
    ------
    QuantityError
        No such active, or no such salt or ester of it; lists those that ship.
    MissingExtraError
        The optional package for molar masses is not installed.
    """
    key = (active.strip().casefold(), name.strip().casefold())
    if key not in _compounds():
        names = [record.name for record in _compounds().values() if record.active.casefold() == key[0]]
        actives = sorted({record.active for record in _compounds().values()})
        known = f"name one of: {', '.join(names)}" if names else f"known actives: {', '.join(actives)}"
        raise QuantityError(
            f'no formula for "{name}" of {active}; {known}, or give the formulae or the ratio of the label'
        )
    record = _compounds()[key]
    return find_acid_ratio(record.acid, record.formula)


def check_ratio(ratio: float | None) -> float:
    """Return a ratio above 0 and at most 1, or say what is needed to turn ai into ae."""
    if ratio is None:
        raise QuantityError(
            "ai is given where ae is needed, and no ratio; give the acid ratio of the label or the formulae"
        )
    if not 0 < ratio <= 1:
        raise QuantityError(f"an acid ratio of {ratio:g}; it is above 0 and at most 1")
    return ratio


def convert_ai_to_ae(ai: float, ratio: float | None) -> float:
    """Return the acid equivalent in an amount, strength or dose of active ingredient (same unit)."""
    return ai * check_ratio(ratio)


def convert_ae_to_ai(ae: float, ratio: float | None) -> float:
    """Return the active ingredient that holds an amount, strength or dose of acid equivalent (same unit)."""
    return ae / check_ratio(ratio)
