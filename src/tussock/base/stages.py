"""In: the tables of one stage. Out: the frozen record that the next stage takes. One record for each stage.

Every table keeps the patch or unit index it is about. Lengths, areas and amounts are SI, with the unit in the name.
Tables inside a record are not edited by whoever receives it: a stage copies what it changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from tussock.base.approval import Approval
from tussock.base.columns import UnitSystem
from tussock.base.days import Season, Window
from tussock.base.records import Closure, Operations, Product, Ruleset, Setback, Treatment
from tussock.base.terrain import Terrain

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from pyproj import CRS

LayerName: TypeAlias = Literal["infestations", "water", "receptors", "access", "history", "stems"]
LAYER_NAMES: tuple[LayerName, ...] = ("infestations", "water", "receptors", "access", "history", "stems")
#: Role of the picture under the map among the documents of a site.
BACKGROUND: Final = "map background"


@dataclass(frozen=True)
class Document:
    """One input file: what it is, its SHA-256 and, for TOML, its content as read; of several files that of each."""

    role: str
    name: str
    sha256: str
    content: Mapping[str, Any] | None = None
    parts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Layer:
    """One layer as its file holds it, under our column names, in its own CRS.

    ``frame`` has a plain index ``row`` (0-based place in the file) and a ``label`` column for messages. ``zero_width``
    says what a width of 0 of a line stands for: one that is not known, or none. ``curve_error_m`` is how far arcs of
    the file can stand off the edges that they were read as.
    """

    name: LayerName
    frame: gpd.GeoDataFrame
    path: str
    file_layer: str
    accuracy_m: float | None = None
    datum: str | None = None
    default_width_m: Mapping[str, float] = field(default_factory=dict)
    zero_width: Literal["unknown", "none"] = "unknown"
    curve_error_m: float = 0.0


@dataclass(frozen=True)
class SiteOptions:
    """Choices of the site file that change how the stages work."""

    crs: str = "auto"
    units: UnitSystem = "us"
    crs_area_tolerance: float = 1e-3
    sliver_area_m2: float = 1.0
    cover_scheme: str | None = None
    default_cover: str | None = None
    accept_out_of_date: tuple[str, ...] = ()
    hot_season: Window | None = None
    closures: tuple[Closure, ...] = ()
    map_background: str | None = None
    public_map: bool = False


@dataclass(frozen=True)
class Site:
    """Everything that was read: layers, catalogs, choices. Made by ``read``."""

    name: str
    season: Season
    options: SiteOptions
    path: Path
    layers: Mapping[LayerName, Layer]
    rulesets: tuple[Ruleset, ...]
    products: Mapping[str, Product]
    treatments: tuple[Treatment, ...] | None
    operations: Operations | None
    documents: tuple[Document, ...]
    findings: pd.DataFrame
    approval: Approval | None = None
    terrain: Terrain | None = None

    def setbacks(self) -> list[tuple[Ruleset, Setback]]:
        """Return every setback with the set it stands in, in the order of the files."""
        return [(ruleset, setback) for ruleset in self.rulesets for setback in ruleset.setback]


@dataclass(frozen=True)
class Repaired:
    """Layers with sound geometry and values. Made by ``repair``. Frames stay in the CRS of their own file.

    ``layers["infestations"]`` is indexed by ``patch_id`` and has cover as ``cover_pct``, ``cover_low_pct``,
    ``cover_high_pct``, stems as ``stems_per_ha`` or ``stem_count``, and ``stem_diameter_m``. Water has ``kind``,
    ``state`` and ``width_m``; receptors have ``kind`` and ``name``; both have a ``label``, and ``kind_given``
    where rule files take kinds as others. ``stems`` has ``patch_id,
    stem_diameter_m, stem_count, stems_per_ha``, one row for each diameter class or stem. ``overlaps`` has one row for
    each pair of patches on one ground: ``patch_a, patch_b, same_species, likely_same, area_m2`` and geometry.
    """

    layers: Mapping[LayerName, Layer]
    overlaps: gpd.GeoDataFrame
    findings: pd.DataFrame


@dataclass(frozen=True)
class CrsReport:
    """The CRS that distances were worked in, and how true it is over the patches.

    ``datum`` is that of the patches; ``shifts`` has ``layer, from, operation, accuracy_m`` for each layer on another.
    """

    name: str
    wkt: str
    chosen: Literal["auto", "named"]
    cells: int
    area_error: float
    distance_error: float
    datum: str = ""
    shifts: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True)
class Cell:
    """A part of the site with its own CRS: patches to plan, and every feature near enough to matter to them.

    ``most_scale`` is the longest that a metre on the ground is drawn in that CRS: a distance that must not fall short
    is drawn as long as that. ``outline_error_m`` has for patches, water and receptors how far an outline in the cell
    can stand off where it is drawn.
    """

    crs: CRS
    distance_error: float
    most_scale: float
    outline_error_m: Mapping[str, float]
    patches: gpd.GeoDataFrame
    others: gpd.GeoDataFrame
    water: gpd.GeoDataFrame
    receptors: gpd.GeoDataFrame
    access: gpd.GeoDataFrame
    history: gpd.GeoDataFrame


@dataclass(frozen=True)
class Measured:
    """Patches with true areas, in one cell or several. Made by ``reproject``.

    ``patches`` is indexed by ``patch_id``, in the layer's own CRS, with ``area_m2`` and
    ``infested_m2``, ``infested_low_m2``, ``infested_high_m2``. ``features`` has the other layers in that CRS, with
    points on the long edges that would bend there or in a cell.
    """

    patches: gpd.GeoDataFrame
    cells: tuple[Cell, ...]
    features: Mapping[LayerName, gpd.GeoDataFrame]
    crs: CrsReport
    findings: pd.DataFrame


@dataclass(frozen=True)
class Zoned:
    """Treatment units and what lies near them. Made by ``zone``.

    ``units`` is indexed by ``unit_id``, in the layer's own CRS: ``patch_id, area_m2, setbacks`` (ids joined by ; for
    people: what is in force is told by ``nearness``), ``nearest_water_m, in_water`` and two columns of tuples:
    ``history`` (rows of earlier applications on it), ``shared_with`` (patches on its ground).
    ``nearness`` has one row for each unit and setback: ``unit_id, setback_id, ruleset, feature, required_m,
    achieved_m, error_m, in_force, distance_verdict, from_lon, from_lat, to_lon, to_lat, check, slope_distance_m``.
    ``reach`` has one row for each unit and treatment that is not reached on foot: ``unit_id, treatment_id, reached``
    (by boat, out of reach), ``stands`` (person, machine), ``reach_m``, and the nearest place to stand, or the boat's,
    as ``place, distance_m``.
    ``patches`` adds ``nearest_water_m, nearest_receptor_m``; both have ``set_aside``: why a patch could not be cut,
    blank where it was. Such a patch is one unit, with every setback that reaches it. ``zones`` has a row for each
    setback. ``shared`` has one row for two units of two patches with more ground in common than a sliver: ``unit_a,
    unit_b, area_m2``.
    ``unruled`` has one row for each unit and kind without a rule near it, SI columns of `base.columns.UNRULED`.
    """

    patches: gpd.GeoDataFrame
    units: gpd.GeoDataFrame
    nearness: pd.DataFrame
    reach: pd.DataFrame
    zones: gpd.GeoDataFrame
    shared: pd.DataFrame
    unruled: pd.DataFrame
    findings: pd.DataFrame


@dataclass(frozen=True)
class Prescribed:
    """Units with the treatment chosen and its amounts, and every candidate's verdict. Made by ``prescribe``.

    ``compliance`` has one row for each unit and setback, with SI columns of `base.columns.COMPLIANCE`; ``products`` one
    for each product in the tank of a unit, with those of `base.columns.plan.UNIT_PRODUCTS`; ``kinds`` one for each
    mapped kind and rule, columns of `base.columns.KINDS`.
    """

    units: gpd.GeoDataFrame
    options: pd.DataFrame
    compliance: pd.DataFrame
    kinds: pd.DataFrame
    products: pd.DataFrame
    findings: pd.DataFrame


@dataclass(frozen=True)
class Budgeted:
    """Amounts, hours and money by unit, patch and product, and for the season. Made by ``budget``.

    ``season`` has the columns ``item, low, likely, high, unit``. ``work`` has the tables of `base.columns.WORK` with SI
    columns: hours term by term, mixes, purchases, money, priorities, calendar, years after.
    """

    units: gpd.GeoDataFrame
    patches: gpd.GeoDataFrame
    products: pd.DataFrame
    season: pd.DataFrame
    findings: pd.DataFrame
    work: Mapping[str, pd.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True)
class PlanTables:
    """A whole plan as the outputs show it: names and units of the contract, geometries in the layer's own CRS.

    ``patches``, ``units``, ``setback_zones`` are GeoDataFrames with the columns of `base.columns`, in that order, then
    the user's own columns. ``features`` has the repaired water, receptors, access and history layers in the same CRS.
    ``findings`` has ``stage, layer, row, what, done, area_before_m2, area_after_m2, level`` (level: info, warning).
    ``overlaps`` has ``patch_a, patch_b, same_species, area_m2`` and geometry. ``work`` has the tables of
    `base.columns.WORK`: hours term by term, mixes, purchases, money, priorities, calendar, years after. ``stems`` has
    the stem table of the site with the columns of `base.columns.STEMS`, no row where the site has none. ``kinds`` tells
    which rule runs from which kind of water and receptor, ``unruled`` the units near a kind without a rule.
    ``relations`` has the tables of `base.columns.RELATIONS`: what belongs to a unit, one row each.
    """

    site: Site
    crs: CrsReport
    patches: gpd.GeoDataFrame
    units: gpd.GeoDataFrame
    options: pd.DataFrame
    setback_zones: gpd.GeoDataFrame
    compliance: pd.DataFrame
    product_budget: pd.DataFrame
    season: pd.DataFrame
    overlaps: gpd.GeoDataFrame
    features: Mapping[LayerName, gpd.GeoDataFrame]
    findings: pd.DataFrame
    work: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    stems: pd.DataFrame | None = None
    kinds: pd.DataFrame | None = None
    unruled: pd.DataFrame | None = None
    relations: Mapping[str, pd.DataFrame] = field(default_factory=dict)
