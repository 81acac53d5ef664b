"""Fixtures: small sites on disk, and an operations file with round figures, all invented."""

import pytest

from site_factory import NO_RULES, Sites

OPERATIONS = """
[crew]
size = 3
licensed = 1
wage = "36 USD/hour"
setup_time = "20 min"
day = "8 hours"
source = "invented for tests"

[[equipment]]
id = "pack"
capacity = "4 gal"
refill_time = "12 min"
cost = "5 USD/hour"
source = "invented for tests"

[[production]]
method = "foliar_spot"
rate = "0.25 acre/hour"
source = "invented for tests"

[[production]]
method = "pull"
rate = "0.05 acre/hour"
source = "invented for tests"

[[price]]
product = "glyphosate-aquatic"
price = "40 USD/gal"
packs = ["1 gal", "2.5 gal"]
on_shelf = "0.25 gal"
source = "invented for tests"
"""

TIME = """
[time]
travel = "40 min"
breaks = "20 min"
records = "6 min"
mixing = "5 min"
cleaning = "10 min"
search = "2 acre/hour"
walk = "3.6 km/hour"
flagging = "0.5 m/s"
terrain_factor = 1.2
source = "invented for tests"
"""

TREATMENTS = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
dye = "1 %"
equipment = "pack"
season = ["06-01", "09-30"]
preference = 1

[[treatment]]
id = "pull"
growth_form = ["herbaceous"]
method = "pull"
preference = 9
"""


NO_SPRAY = """
[[setback]]
id = "NO-SPRAY"
from = {{ layer = "water" }}
distance = "{feet} ft"
forbids = {{ delivery = "spot" }}
source = "invented for tests"
"""


@pytest.fixture
def sites(tmp_path):
    return Sites(tmp_path)


@pytest.fixture(scope="session")
def operations():
    return OPERATIONS


@pytest.fixture(scope="session")
def time_model():
    return TIME


@pytest.fixture(scope="session")
def treatments():
    return TREATMENTS


@pytest.fixture(scope="session")
def no_spray():
    """A function: the text of a rule set that forbids spraying within so many feet of water."""

    def write(feet):
        return NO_RULES + NO_SPRAY.format(feet=feet)

    return write
