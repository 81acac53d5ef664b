"""Doses point by point: what all uses put on one point of the ground, from the tables of the plan and by shapely alone.

Sites are drawn at random and small: patches of three plants on each other's ground, ponds with a strip for aquatic labels,
records of earlier work. Limits are parameters of these tests, not facts of a label. At each point the doses of every
unit and record that cover it are added by acid and compared with the least limit of all products used there. Ground that
two units share with less than the sliver area of 1 m2 is the error of drawn edges and is left out.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
import shapely

from site_factory import ACRE_M2, Sites
from tussock.base.columns import DOSE

SITES, POINTS = 6, 600
#: Acid, form, aquatic label, and limits [lb ae/acre, stems/acre]: for a year, for one application, of stems.
PRODUCTS = {
    "gly-water": ("glyphosate", "salt", True, 4.0, None, None),
    "gly-land": ("Glyphosate acid", "salt", False, 8.0, None, None),
    "gly-stems": ("glyphosate, potassium salt", "salt", True, 8.0, None, 300.0),
    "tri-amine": ("triclopyr", "amine", True, 6.0, 5.0, None),
    "tri-ester": ("triclopyr-butotyl", "ester", False, 8.0, None, None),
    "ima": ("imazapyr", "salt", True, 1.5, None, 200.0),
}
ACID = {name: "triclopyr" if "tri" in name else "imazapyr" if name == "ima" else "glyphosate" for name in PRODUCTS}
#: 10 mL of 4 lb/gal.
LB_PER_STEM = 0.010 / 3.785411784 * 4
RULES = """
[ruleset]
title = "strips (invented)"
authority = "nobody"
source = "invented for tests"
status = "checked"
[[setback]]
id = "W-50"
from = { layer = "water" }
distance = "50 ft"
forbids = { aquatic_label = false }
source = "invented for tests"
"""


def write_products():
    text = ""
    for name, (active, form, aquatic, year, once, stems) in PRODUCTS.items():
        text += (
            f'[[product]]\nid = "{name}"\nactive = "{active}"\nform = "{form}"\nstrength = "4 lb/gal"\n'
            f"aquatic_label = {str(aquatic).lower()}\n"
            'methods = { foliar_spot = ["0.1 %", "20 %"], stem_injection = ["50 %", "100 %"] }\n'
            f'limit_per_year = "{year} lb/acre"\nsource = "invented for tests"\n'
        )
        text += f'limit_per_application = "{once} lb/acre"\n' if once else ""
        text += f'limit_stems_per_year = "{stems}/acre"\n' if stems else ""
    return text


class Site:
    """Draws one site; 25 gal/acre of 1 % of 4 lb/gal is 1 lb ae/acre."""

    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)

    def star(self, radius_m):
        count = int(self.rng.integers(4, 12))
        angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
        radius = radius_m * self.rng.uniform(0.6, 1.0, count)
        x, y = self.rng.uniform(-25, 25, 2)
        return shapely.Polygon(np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)]))

    def pick(self, options):
        return options[int(self.rng.integers(len(options)))]

    def patches(self):
        return [
            {
                "patch_id": f"P;{number}",
                "species": self.pick(("one", "two", "three")),
                "growth_form": "shrub",
                "cover_pct": 100,
                "stems_per_acre": float(self.rng.integers(0, 200)),
                "geometry": self.star(self.rng.uniform(12, 35)),
            }
            for number in range(int(self.rng.integers(3, 6)))
        ]

    def water(self):
        return [{"kind": "pond", "state": "wet", "geometry": self.star(8)} for _ in range(int(self.rng.integers(1, 3)))]

    def history(self):
        rows = []
        for _ in range(int(self.rng.integers(0, 3))):
            name = self.pick(tuple(PRODUCTS))
            rows.append(
                {
                    "product_id": self.pick((name, name, "")),
                    "active": PRODUCTS[name][0],
                    "ae_lb_per_acre": float(self.rng.integers(1, 12)) / 4,
                    "stems_per_acre": float(self.rng.choice([0, 0, 60, 150])),
                    "date": f"2027-0{int(self.rng.integers(1, 4))}-10",
                    "geometry": self.star(20),
                }
            )
        return rows or None

    def treatments(self):
        text = ""
        for number in range(9):
            name, species = self.pick(tuple(PRODUCTS)), self.pick(("one", "two", "three"))
            text += f'[[treatment]]\nid = "T{number}"\nspecies = ["{species}"]\nproduct = "{name}"\n'
            text += f"preference = {number}\n"
            if self.rng.random() < 0.25:
                text += 'method = "stem_injection"\nconcentration = "100 %"\ndose_per_stem = "10 mL"\n'
                continue
            most = 1.2 if name == "ima" else 6.0
            text += 'method = "foliar_spot"\nspray_volume = "25 gal/acre"\n'
            text += f'concentration = "{self.rng.uniform(0.2, most):.2f} %"\n'
            partner = self.pick([other for other in PRODUCTS if other != name])
            if self.rng.random() < 0.4:
                share = self.rng.uniform(0.2, 0.8 if partner == "ima" else 4.0)
                text += f'tank_mix = [{{ product = "{partner}", concentration = "{share:.2f} %" }}]\n'
            text += "up_to_limit = true\n" if self.rng.random() < 0.3 else ""
        return text

    def plan(self, folder):
        return Sites(folder).plan(
            self.patches(),
            water=self.water(),
            history=self.history(),
            rules=RULES,
            products=write_products(),
            treatments=self.treatments(),
        )


def list_uses(plan):
    """Every use as the tables tell it: outline, acid, dose [lb ae/acre], stems [1/acre], products."""
    treatments = {item.id: item for item in plan.site.treatments}
    uses = []
    for unit in plan.units[plan.units["status"] == "planned"].to_dict("records"):
        first = unit["product_id"]
        treatment = treatments[unit["treatment_id"]]
        stems, doses = 0.0, {first: unit["ae_lb"] / unit["area_acre"]}
        if unit["method"] == "stem_injection":  # stems are whole: the dose told is that of the stand, to one stem
            doses[first] = unit["ae_lb_per_acre"]
            stems = doses[first] / LB_PER_STEM
            assert abs(unit["stems"] - stems * unit["area_acre"]) <= 1.001
        for partner in treatment.tank_mix:
            doses[partner.product] = unit["partner_ae_lb"] / unit["area_acre"]
        tank = defaultdict(dict)
        for name, dose in doses.items():
            tank[ACID[name]][name] = dose
        uses += [
            (unit["geometry"], acid, sum(own.values()), stems, tuple(own), unit["unit_id"])
            for acid, own in tank.items()
        ]
    history = plan.features.get("history")
    for row in [] if history is None else history.to_dict("records"):
        names = (row["product_id"],) if row["product_id"] else ()
        dose, stems = row["ae_kg_per_ha"] / DOSE.us_size, np.nan_to_num(row["stems_per_ha"]) * ACRE_M2 / 1e4
        uses.append((row["geometry"], row["active"], dose, stems, names, ""))
    return uses


def find_breaches(plan, rng, points=POINTS):
    """Points where a sum is over a limit, with the figures; and how many points have two planned uses of an acid."""
    uses = list_uses(plan)
    outline = np.array([use[0] for use in uses], dtype=object)
    if not len(outline):
        return [], 0
    west, south, east, north = shapely.total_bounds(outline)
    xy = shapely.points(rng.uniform((west, south), (east, north), (points, 2)))
    there = shapely.contains_properly(shapely.buffer(outline, -0.01)[:, None], xy[None, :])
    common = shapely.area(shapely.intersection(outline[:, None], outline[None, :]))
    breaches, shared = [], 0
    for column in there.T:
        by_acid = defaultdict(list)
        for place in np.flatnonzero(column).tolist():
            by_acid[uses[place][1]].append(place)
        for acid, places in by_acid.items():
            planned = [place for place in places if uses[place][5]]
            if not planned or (common[np.ix_(places, places)] < 1.01).any():
                continue
            shared += len(planned) > 1
            names = {name for place in places for name in uses[place][4]}
            dose, stems = (sum(uses[place][part] for place in places) for part in (2, 3))
            year = min(PRODUCTS[name][3] for name in names)
            most = min((PRODUCTS[name][5] for name in names if PRODUCTS[name][5]), default=np.inf)
            once = [
                (uses[place][2], PRODUCTS[name][4]) for place in planned for name in uses[place][4] if PRODUCTS[name][4]
            ]
            told = [uses[place][5] or "record" for place in places]
            if dose > year * (1 + 1e-4):
                breaches.append(f"{acid}: {dose:.3f} of {year} lb ae/acre by {told}")
            if any(uses[place][3] > 0 for place in planned) and stems > most * (1 + 1e-4):
                breaches.append(f"{acid}: {stems:.1f} of {most} stems/acre by {told}")
            breaches += [
                f"{acid}: {dose:.3f} of {most} at once by {told}" for dose, most in once if dose > most * 1.0001
            ]
    return breaches, shared


@pytest.mark.parametrize("seed", range(SITES))
def test_no_point_gets_more_than_the_strictest_label_used_there(tmp_path, seed):
    plan = Site(seed).plan(tmp_path)
    breaches, _ = find_breaches(plan, np.random.default_rng(seed))
    assert breaches == []


def test_the_sites_put_two_patches_on_one_point(tmp_path):
    shared = []
    for seed in range(2):
        (tmp_path / str(seed)).mkdir()
        plan = Site(seed).plan(tmp_path / str(seed))
        shared.append(find_breaches(plan, np.random.default_rng(seed))[1])
    assert max(shared) > 20
