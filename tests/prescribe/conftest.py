"""Run a site up to its prescription, without budget and files."""

import math

import pytest

import tussock
from site_factory import Sites, feet_box
from tussock.prescribe import prescribe_units
from tussock.repair import repair_layers
from tussock.reproject import reproject_layers
from tussock.zone import zone_patches

SIDE_FT = math.sqrt(43560)


class Prescriber:
    """Writes a site of one-acre patches and prescribes it."""

    def __init__(self, folder):
        self.sites = Sites(folder)

    def run(self, patches=None, **options):
        rows = patches or [{}]
        filled = [
            {
                "patch_id": f"P{place}",
                "species": "buckthorn",
                "growth_form": "shrub",
                "cover_pct": 100,
                "geometry": feet_box(place * 400, 0, place * 400 + SIDE_FT, SIDE_FT),
            }
            | row
            for place, row in enumerate(rows)
        ]
        site = tussock.read_site(self.sites.write(filled, **options))
        repaired = repair_layers(site)
        measured = reproject_layers(site, repaired)
        return prescribe_units(site, repaired, measured, zone_patches(site, repaired, measured))


@pytest.fixture
def prescriber(tmp_path):
    return Prescriber(tmp_path)
