"""One name for each active, whatever salt or ester a label or a record writes.

ISO: names of simple esters and salts as the Compendium of Pesticide Common Names shows them under ISO 257, "Names for
simple esters and salts of pesticides" (parent and modifier). The chemistry is that of `trade/data/actives.toml`.
"""

from __future__ import annotations

import pytest

from tussock.base.errors import QuantityError
from tussock.base.records import Product
from tussock.trade.acid_equivalent import list_compounds
from tussock.trade.actives import fold_name, key_active, name_active, own_names


@pytest.mark.parametrize(
    ("written", "active"),
    [
        ("fosamine-ammonium", "fosamine"),
        ("endothal-diammonium", "endothal"),
        ("mecoprop-P-potassium", "mecoprop"),
        ("sulfometuron-methyl", "sulfometuron-methyl"),
        ("diquat dibromide", "diquat"),
        ("2,4-D-diethylammonium", "2,4-D"),
        ("triclopyr-butotyl", "triclopyr"),
    ],
)
def test_names_of_the_standard(written, active):
    assert name_active(written) == active


def test_every_salt_and_ester_with_a_formula_is_known_by_name():
    for record in list_compounds().values():
        assert name_active(f"{record.active} {record.name}") == record.active


@pytest.mark.parametrize(
    "written",
    [
        "glyphosate",
        "Glyphosate acid",
        " GLYPHOSATE  Isopropylamine salt ",
        "glyphosate, IPA salt",
        "glyphosate (potassium)",
    ],
)
def test_case_spaces_and_words_do_not_matter(written):
    assert name_active(written) == "glyphosate"


@pytest.mark.parametrize("written", ["2,4-D", "2, 4-D amine", "2,4-D dimethylamine", "2,4-d 2-ethylhexyl ester"])
def test_commas_between_figures_stay(written):
    assert name_active(written) == "2,4-D"


@pytest.mark.parametrize(
    "written", ["glyposate", "glyphosate + 2,4-D", "weed away", "", "acid", "triclopyr glyphosate"]
)
def test_what_is_no_name_of_one_active_is_not_known(written):
    assert name_active(written) is None


def test_two_actives_that_begin_alike_stay_apart():
    assert name_active("2,4-DB") == "2,4-DB"
    assert key_active("2,4-DB") != key_active("2,4-D butyl")


def make_product(name, active, *names):
    return Product.model_validate(
        {
            "id": name,
            "active": active,
            "active_names": list(names),
            "form": "salt",
            "strength": "2 lb/gal",
            "aquatic_label": False,
            "methods": {},
            "source": "invented for tests",
        }
    )


def test_a_product_can_name_an_active_that_the_table_has_not():
    own = own_names([make_product("a", "Barrenil", "barrenil sodium", "bnl"), make_product("b", "glyphosate")])
    assert name_active("BNL", own) == "Barrenil"
    assert name_active("barrenil potassium salt", own) == "Barrenil"
    assert fold_name("glyphosate") not in own


def test_one_name_for_two_actives_is_refused():
    with pytest.raises(QuantityError, match='"triclopyr amine" is a name of triclopyr, the product is glyphosate'):
        own_names([make_product("a", "glyphosate", "triclopyr amine")])
