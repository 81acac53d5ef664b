"""Every length that is told or paid for is one on the ground, whatever grid a site names.

At its central meridian a transverse Mercator grid with scale factor 0.9996 draws 1,000 m on the ground as 999.6 m (its
definition: k0 of EPSG:2193, 7855 and 25832). So what is drawn 999.6 m apart must be told as 1,000 m.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer

import tussock

GRID_M = 999.6
#: EPSG code, easting and northing of a place on the central meridian.
GRIDS = {"EPSG:2193": (1_600_000, 5_180_000), "EPSG:7855": (500_000, 5_250_000), "EPSG:25832": (500_000, 5_400_000)}


def on_ground_m(code, one, other):
    """The geodesic between two points of a grid, by pyproj.Geod on WGS 84."""
    lon, lat = Transformer.from_crs(code, 4326, always_xy=True).transform(*np.array([one, other]).T)
    return Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])[2]


@pytest.mark.parametrize("code", GRIDS)
def test_named_grid_tells_lengths_on_the_ground(sites, operations, time_model, treatments, no_spray, code):
    """A patch of 500 m, its setback edge along a pond's west bank; yard and mixing place 1,000 and 2,000 m away."""
    east, north = GRIDS[code]

    def box(west, south, right, top):
        return shapely.box(east + west, north + south, east + right, north + top)

    row = {"patch_id": "P1", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
    access = [
        {"kind": "parking", "name": "yard", "geometry": shapely.Point(east + 100 + GRID_M, north + 200)},
        {"kind": "mixing", "name": "pad", "geometry": shapely.Point(east + 100 + 2 * GRID_M, north + 200)},
    ]
    no_mix = (
        '[[setback]]\nid = "NO-MIX"\nfrom = { layer = "water" }\ndistance = "100 ft"\nno_mixing = true\nsource = "x"\n'
    )
    path = sites.write(
        [row | {"geometry": box(0, 0, 100, 500)}],
        water=[{"kind": "pond", "state": "wet", "geometry": box(-60, -600, -20, 1100)}],
        access=access,
        rules=no_spray(200) + no_mix,
        treatments=treatments,
        operations=operations + time_model,
        crs=code,
        site=f'crs = "{code}"\nunits = "metric"',
    )
    plan = tussock.make_plan(tussock.read_site(path))
    assert plan.crs.chosen == "named"
    units, hours = plan.units.set_index("unit_id"), plan.work["unit_hours"].set_index("unit_id")
    near, far = (units.index[units["method"] == name][0] for name in ("pull", "foliar_spot"))
    spot = (east + 100, north + 200)
    expected = on_ground_m(code, spot, (east + 100 + GRID_M, north + 200))
    assert expected == pytest.approx(1000, abs=2e-3)
    assert hours.loc[far, "walk_m"] == pytest.approx(expected, abs=1e-3)
    assert hours.loc[far, "mixing_m"] == pytest.approx(2000, abs=5e-3)
    # half of the edge, 500 m drawn, to each of the two units; it is found to 5 mm at either end
    assert hours.loc[[near, far], "limited_edge_m"].tolist() == pytest.approx([250 / 0.9996] * 2, abs=6e-3)
    mixing = plan.work["mixing_places"].set_index("place")
    bank = (east - 20, north + 200)
    pad_m = on_ground_m(code, bank, (east + 100 + 2 * GRID_M, north + 200))
    assert mixing.loc["mixing pad", "achieved_m"] == pytest.approx(pad_m, abs=1e-3)
    # the free unit stands off the bank by 200 ft on the ground, and by no more than the curve allows
    west = shapely.bounds(units.loc[far, "geometry"])[0]
    assert on_ground_m(code, bank, (west, north + 200)) == pytest.approx(60.96, abs=1e-3)
    found = tussock.review_plan(plan.write(sites.folder / "plan"))
    assert not (found["level"] == "violation").any(), found[found["level"] == "violation"].to_string()
