"""What keeps a treatment off a unit, and what the refusal says. Limits and labels are invented for these tests."""

from __future__ import annotations

import pytest
import shapely

from site_factory import FOOT_M, NO_RULES, PRODUCTS, feet_box

SPOT = """
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
"""
BARK = """
[[treatment]]
id = "bark"
growth_form = ["shrub"]
method = "basal_bark"
product = "triclopyr-ester"
concentration = "20 %"
band_height = "15 in"
dose_per_bark_area = "0.1 L/m2"
"""
STEMS = {"stem_count": 40, "stem_diameter_in": 2.0}


def refuse(prescriber, treatments, patches=None, **options):
    """The reason of the only option; it must be refused and say what would unlock it."""
    result = prescriber.run(patches, treatments=treatments, **options)
    row = result.options.iloc[0]
    assert row["verdict"] == "refused"
    assert result.units["status"].iloc[0] == "no_option"
    assert "unlock:" in row["reason"]
    return row["reason"]


def accept(prescriber, treatments, patches=None, **options):
    result = prescriber.run(patches, treatments=treatments, **options)
    assert result.options["verdict"].iloc[0] == "chosen", result.options["reason"].iloc[0]
    return result


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('method = "foliar_spot"', 'method = "boom"', None),
        ('concentration = "2 %"', 'concentration = "9 %"', "9 % is outside its range for foliar spot, 0.5 to 5 %"),
        (
            'product = "glyphosate-aquatic"',
            'product = "imazapyr-aquatic"\ncarrier = "oil"',
            "mixes with water, the treatment takes oil",
        ),
        ('method = "foliar_spot"', 'method = "basal_bark"', "basal bark is not among its methods"),
    ],
)
def test_label(prescriber, old, new, message):
    treatments = SPOT.replace(old, new)
    if message is None:
        accept(prescriber, treatments)
    else:
        assert message in refuse(prescriber, treatments)


def test_growth_form_and_species(prescriber):
    result = prescriber.run([{"growth_form": "tree"}], treatments=SPOT)
    assert "the treatment is for shrub, the patch is buckthorn (tree)" in result.options["reason"].iloc[0]
    assert "no treatment in the catalog is for buckthorn (tree)" in result.units["reason"].iloc[0]
    by_species = SPOT.replace('growth_form = ["shrub"]', 'species = ["Buckthorn"]')
    accept(prescriber, by_species, [{"growth_form": "tree"}])


@pytest.mark.parametrize(("inches", "allowed"), [(0.9, False), (1.0, True), (6.0, True), (6.1, False)])
def test_stem_diameter_window(prescriber, inches, allowed):
    treatments = BARK + 'stem_diameter = ["1 in", "6 in"]\n'
    patches = [STEMS | {"stem_diameter_in": inches}]
    if allowed:
        accept(prescriber, treatments, patches)
    else:
        assert "for stems of 1 in to 6 in" in refuse(prescriber, treatments, patches)


def test_no_stems_no_dose(prescriber):
    assert "no stems are mapped" in refuse(prescriber, BARK)
    assert "no stem diameter is mapped" in refuse(prescriber, BARK, [{"stem_count": 4}])


def test_wet_bark(prescriber):
    assert "the bark is mapped as wet" in refuse(prescriber, BARK, [STEMS | {"bark_wet": "yes"}])
    accept(prescriber, BARK, [STEMS | {"bark_wet": "no"}])


def test_bark_standing_in_water(prescriber):
    water = [{"kind": "pond", "state": "wet", "geometry": feet_box(-50, -50, 600, 600)}]
    reason = refuse(prescriber, BARK, [STEMS], water=water)
    assert "the stems stand in water" in reason
    assert "no aquatic label, and the unit reaches into water" in reason


def test_basal_bark_takes_an_ester_in_oil(prescriber):
    # common practice, no source
    products = PRODUCTS.replace('form = "ester"', 'form = "amine"')
    assert "takes an oil-soluble ester in oil" in refuse(prescriber, BARK, [STEMS], products=products)


def test_heat_limit_of_an_ester_closes_hot_days(prescriber):
    products = PRODUCTS.replace('id = "triclopyr-ester"', 'id = "triclopyr-ester"\nheat_limit = "85 F"')
    summer = BARK + 'season = ["06-01", "08-31"]\n'
    hot = 'hot_season = ["06-15", "08-20"]'
    result = accept(prescriber, summer, [STEMS], products=products, site=hot)
    assert result.units[["season_from", "season_to"]].iloc[0].tolist() == ["2027-06-01", "2027-06-14"]
    assert "85 F" in result.units["cautions"].iloc[0]
    midsummer = BARK + 'season = ["07-01", "07-31"]\n'
    assert "no date: " in refuse(prescriber, midsummer, [STEMS], products=products, site=hot)


def test_soil_active_product_near_a_kept_tree(prescriber):
    # root zone = dripline x factor, as a rule: 20 ft x 1.5 = 30 ft around the trunk
    products = PRODUCTS.replace('id = "imazapyr-aquatic"', 'id = "imazapyr-aquatic"\nsoil_active = true')
    rules = (
        NO_RULES
        + '[[setback]]\nid = "ROOTS"\nfrom = { layer = "receptors", kind = "tree" }\n'
        + 'distance = { column = "dripline_ft", times = 1.5 }\nforbids = { soil_active = true }\nsource = "invented"\n'
    )
    tree = [{"kind": "tree", "name": "oak", "dripline_ft": 20.0, "geometry": shapely.Point(100 * FOOT_M, 100 * FOOT_M)}]
    spray = SPOT.replace("glyphosate-aquatic", "imazapyr-aquatic")
    result = prescriber.run(treatments=spray, rules=rules, receptors=tree, products=products)
    closed = result.units[result.units["setbacks"] == "ROOTS"]
    # pi 30^2 ft2, at most 0.3 % more of the distance
    assert closed["area_m2"].sum() == pytest.approx(3.14159265 * (30 * FOOT_M) ** 2, rel=6e-3)
    assert closed["area_m2"].sum() >= 3.14159265 * (30 * FOOT_M) ** 2
    assert closed["status"].tolist() == ["no_option"]
    accept(prescriber, SPOT, rules=rules, receptors=tree, products=products)


CREW = '[crew]\nsize = 2\nlicensed = {licensed}\nwage = "30 USD/hour"\nsource = "invented"\n'


@pytest.mark.parametrize(("operations", "message"), [(None, "no crew is loaded"), (CREW.format(licensed=0), "nobody")])
def test_restricted_use_needs_a_certified_person(prescriber, operations, message):
    products = PRODUCTS.replace('id = "glyphosate-aquatic"', 'id = "glyphosate-aquatic"\nrestricted_use = true')
    assert message in refuse(prescriber, SPOT, products=products, operations=operations)
    accept(prescriber, SPOT, products=products, operations=CREW.format(licensed=1))


def test_without_rules_no_herbicide_is_planned(prescriber):
    assert "no rule set is loaded" in refuse(prescriber, SPOT, rules=[])
    accept(prescriber, '[[treatment]]\nid = "pull"\ngrowth_form = ["shrub"]\nmethod = "pull"\n', rules=[])


def test_every_unit_is_offered_a_non_chemical_way(prescriber):
    result = prescriber.run([{}, {"growth_form": "tree"}, {"growth_form": "herbaceous"}], treatments=SPOT)
    assert (result.units["non_chemical"].str.len() > 10).all()


def test_strength_as_active_ingredient_needs_the_ratio(prescriber):
    products = PRODUCTS.replace('strength = "4 lb/gal"', 'strength_ai = "5.4 lb/gal"', 1)
    with pytest.raises(ValueError, match=r"strength_ai without a ratio.*ae_per_ai") as caught:
        prescriber.run(treatments=SPOT, products=products)
    assert 'product[1] ("glyphosate-aquatic")' in str(caught.value)
    # acid in the isopropylamine salt of glyphosate: 0.741 (molar masses); 5.4 x 0.741 = 4.0 lb/gal
    result = prescriber.run(
        treatments=SPOT, products=products.replace('"5.4 lb/gal"', '"5.4 lb/gal"\nae_per_ai = "74.1 %"')
    )
    assert result.units["ae_kg_per_ha"].iloc[0] == pytest.approx(20 * 0.02 * 5.4 * 0.741 * 1.12085, rel=1e-5)
