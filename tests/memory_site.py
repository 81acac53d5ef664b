"""Sites built in memory for property tests: no files, any CRS."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from tussock.base.days import year_season
from tussock.base.findings import findings_table
from tussock.base.records import Ruleset
from tussock.base.stages import Layer, Site, SiteOptions


def make_rules(setbacks):
    """A checked rule set from setback dicts, as a file would give it."""
    header = {"title": "t", "authority": "a", "source": "invented for tests", "status": "checked"}
    rows = [{"source": "invented for tests"} | setback for setback in setbacks]
    return Ruleset.model_validate({"ruleset": header, "setback": rows})


def make_site(patches, *, water=None, receptors=None, setbacks=(), accuracy_m=None, options=None, zero_width="unknown"):
    """A site from GeoDataFrames; patches without ids are numbered."""
    patches = patches.reset_index(drop=True)
    if "patch_id" not in patches.columns:
        patches = patches.assign(patch_id=[f"P{number}" for number in range(len(patches))])
    empty = gpd.GeoDataFrame({"kind": pd.Series(dtype=str)}, geometry=[], crs=patches.crs)
    frames = {"infestations": patches, "water": empty if water is None else water.reset_index(drop=True)}
    if receptors is not None:
        frames["receptors"] = receptors.reset_index(drop=True)
    layers = {
        name: Layer(name, frame.rename_axis("row"), f"{name}.gpkg", name, accuracy_m, zero_width=zero_width)
        for name, frame in frames.items()
    }
    return Site(
        name="in memory",
        season=year_season(2027),
        options=options or SiteOptions(),
        path=Path("site.toml"),
        layers=layers,
        rulesets=(make_rules(setbacks),),
        products={},
        treatments=None,
        operations=None,
        documents=(),
        findings=findings_table(()),
    )


def zone(site):
    """Run a site up to its units."""
    from tussock.repair import repair_layers
    from tussock.reproject import reproject_layers
    from tussock.zone import zone_patches

    repaired = repair_layers(site)
    measured = reproject_layers(site, repaired)
    return measured, zone_patches(site, repaired, measured)


def star(rng, x, y, radius_m, corners):
    """A random star-shaped outline around a point, shape (corners, 2)."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False) + (angle - angle.mean()) * 0.02
    radius = radius_m * rng.uniform(0.5, 1.0, corners)
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])
