"""In: the tables of a plan. Out: for each patch what an approver agrees to on that ground, and one SHA-256 of it.

The content names no running number and no price: it is the outline and what is done inside it. Outlines are vertices
in degrees of the layer's own datum, rounded to 1e-9 degree (0.1 mm), each ring from its least vertex on, so that a plan
and the same plan read back from its GeoPackage give one fingerprint. Text form: JSON, keys sorted, no blanks.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.geodesy import move_geometry
from tussock.base.records import Product, Ruleset, Setback

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from pyproj import CRS

Content: TypeAlias = dict[str, Any]

#: Decimals of a degree that outlines are rounded to: 1e-9 degree is at most 0.11 mm.
DECIMALS: Final = 9
_FIGURES: Final = 9
_LEAST_RING: Final = 3

#: Amounts and rates of a unit: key, column, quantity.
_NUMBERS: Final[tuple[tuple[str, str, c.Quantity | None], ...]] = (
    ("concentration_pct", "concentration_pct", None),
    ("rate_l_per_ha", "spray", c.RATE),
    ("dose_kg_per_ha", "ae", c.DOSE),
    ("spray_l", "spray", c.LIQUID),
    ("product_l", "product", c.SMALL_LIQUID),
    ("ae_kg", "ae", c.MASS),
    ("dye_l", "dye", c.SMALL_LIQUID),
    ("adjuvant_l", "adjuvant", c.SMALL_LIQUID),
    ("stems", "stems", None),
    ("cuts", "cuts", None),
)
_TEXTS: Final = {
    "status": "status",
    "treatment": "treatment_id",
    "method": "method",
    "delivery": "delivery",
    "carrier": "carrier",
    "from": "season_from",
    "to": "season_to",
}


@dataclass(frozen=True)
class PlanContent:
    """The tables and records that a fingerprint is taken of, names and units as delivered."""

    patches: gpd.GeoDataFrame
    units: gpd.GeoDataFrame
    compliance: pd.DataFrame
    products: Mapping[str, Product]
    setbacks: Sequence[tuple[Ruleset, Setback]]
    system: c.UnitSystem
    unit_setbacks: pd.DataFrame
    unit_products: pd.DataFrame


@dataclass(frozen=True)
class Fingerprint:
    """One patch: its id, the ids of its units in the order of ``ground["units"]``, the content, its SHA-256."""

    patch_id: str
    unit_ids: tuple[str, ...]
    ground: Content
    sha256: str


def to_text(content: Any) -> str:
    """Return content as the text that is hashed and signed: JSON, keys sorted, ASCII, no blanks; dates as ISO text.

    Examples
    --------
    >>> to_text({"b": 1, "a": [0.1, "x"]})
    '{"a":[0.1,"x"],"b":1}'
    """
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False, default=str)


def hash_content(content: Any) -> str:
    """Return the SHA-256 (FIPS 180-4) of content in its text form, as hexadecimal text."""
    return hashlib.sha256(to_text(content).encode("ascii")).hexdigest()


def find_datum(crs: CRS) -> CRS:
    """Return the geographic CRS that outlines are taken to: that of the layer itself, so that no shift is involved."""
    return crs.geodetic_crs or crs


def take_fingerprints(plan: PlanContent, datum: CRS | None = None) -> list[Fingerprint]:
    """Take the fingerprint of every patch.

    Parameters
    ----------
    plan
        Tables under the names and units of the contract.
    datum
        Geographic CRS of the outlines; by default that of the patches' own CRS.

    Returns
    -------
    list of Fingerprint
        In the order of the patches.
    """
    wanted = find_datum(plan.patches.crs) if datum is None else datum
    outlines = list_outlines(_shapes(plan.patches), plan.patches.crs, wanted)
    units = _describe_units(plan, wanted)
    patches = plan.patches
    species, forms = _texts(patches, "species"), _texts(patches, "growth_form")
    cover = _numbers(patches, "cover_pct", 1.0)
    prints = []
    for place, patch_id in enumerate(_texts(patches, "patch_id")):
        own = sorted(units.get(patch_id, []), key=lambda pair: to_text(pair[1]["outline"]))
        ground = {
            "outline": outlines[place],
            "species": species[place],
            "growth_form": forms[place],
            "cover_pct": cover[place],
            "units": [unit for _, unit in own],
        }
        prints.append(Fingerprint(patch_id, tuple(name for name, _ in own), ground, hash_content(ground)))
    return prints


def _shapes(frame: gpd.GeoDataFrame) -> NDArray[Any]:
    import shapely

    shapes: NDArray[Any] = np.asarray(frame.geometry.array, dtype=object).copy()
    shapes[shapely.is_missing(shapes)] = shapely.MultiPolygon()
    return shapely.force_2d(shapes)  # type: ignore[no-any-return]


def list_outlines(shapes: NDArray[Any], crs: CRS, datum: CRS) -> list[list[Any]]:
    """Return outlines as coordinates of GeoJSON multipolygons in degrees of a datum, in one order for one ground."""
    import shapely

    degrees = move_geometry(shapes, crs, datum) if crs != datum else shapes
    parts, owner = shapely.get_parts(degrees, return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    pieces = np.split(np.round(xy, DECIMALS) + 0.0, np.flatnonzero(np.diff(ring)) + 1) if len(xy) else []
    polygons: list[list[list[list[float]]]] = [[] for _ in parts]
    # one ring at a time: each is turned to start at its own least vertex
    for place, piece in enumerate(pieces):
        turned = _turn_ring(piece, outer=not polygons[ring_part[place]])
        if turned or not polygons[ring_part[place]]:
            polygons[ring_part[place]].append(turned)
    outlines: list[list[Any]] = [[] for _ in shapes]
    for part, polygon in zip(owner.tolist(), polygons, strict=True):
        if polygon and polygon[0]:
            outlines[part].append([polygon[0], *sorted(polygon[1:])])
    return [sorted(outline) for outline in outlines]


def _turn_ring(xy: NDArray[np.float64], *, outer: bool) -> list[list[float]]:
    """Return a closed ring without repeated vertices, an outer one counter-clockwise, least vertex first."""
    open_ring = xy[:-1]
    kept = open_ring[(open_ring != np.roll(open_ring, 1, axis=0)).any(axis=1)]
    if len(kept) < _LEAST_RING:
        return []
    x, y = (kept - kept[0]).T
    left = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0
    if left != outer:
        kept = kept[::-1]
    first = int(np.lexsort((kept[:, 1], kept[:, 0]))[0])
    turned: list[list[float]] = np.roll(kept, -first, axis=0).tolist()
    return [*turned, turned[0]]


def _describe_units(plan: PlanContent, datum: CRS) -> dict[str, list[tuple[str, Content]]]:
    """Return, for each patch, pairs of unit id and content."""
    frame, system = plan.units, plan.system
    outlines = list_outlines(_shapes(frame), frame.crs, datum)
    texts = {key: _texts(frame, column) for key, column in _TEXTS.items()}
    numbers = {key: _numbers(frame, *_name(stem, quantity, system)) for key, stem, quantity in _NUMBERS}
    ids, patch_ids = _texts(frame, "unit_id"), _texts(frame, "patch_id")
    products = _texts(frame, "product_id")
    setbacks, tanks = _group_setbacks(plan), _group_partners(plan)
    required = _find_required(plan)
    rules = {setback.id: _describe_rule(ruleset, setback) for ruleset, setback in plan.setbacks}
    described: dict[str, list[tuple[str, Content]]] = {}
    for place, unit_id in enumerate(ids):
        content: Content = {key: values[place] for key, values in texts.items()}
        content |= {key: values[place] for key, values in numbers.items()}
        content["outline"] = outlines[place]
        content["product"] = _describe_product(products[place], plan.products)
        content["tank_mix"] = tanks.get(unit_id, [])
        content["setbacks"] = [
            {"id": name, **rules.get(name, {}), "required_m": required.get((unit_id, name))}
            for name in sorted(setbacks.get(unit_id, ()))
        ]
        described.setdefault(patch_ids[place], []).append((unit_id, content))
    return described


def _name(stem: str, quantity: c.Quantity | None, system: c.UnitSystem) -> tuple[str, float]:
    """Return the column of a quantity and the SI size of what it shows."""
    return (stem, 1.0) if quantity is None else (f"{stem}_{quantity.suffix(system)}", quantity.size(system))


def _texts(frame: pd.DataFrame, name: str) -> list[str]:
    if name not in frame.columns:
        return [""] * len(frame)
    return ["" if value is None or value != value else str(value) for value in frame[name].tolist()]  # noqa: PLR0124


def _numbers(frame: pd.DataFrame, name: str, size: float) -> list[float | None]:
    """Return a column in SI to nine figures; None where there is no number."""
    import pandas as pd

    if name not in frame.columns:
        return [None] * len(frame)
    values = pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan) * size
    return [round_figures(value) for value in values.tolist()]


def round_figures(value: float | None) -> float | None:
    """Return a number to nine significant figures; None where it is none."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.{_FIGURES}g}") + 0.0


def _find_required(plan: PlanContent) -> dict[tuple[str, str], float | None]:
    """Return the distance that each setback asks for on each unit [m]; None where it holds on the whole site."""
    column, size = _name("required", c.LENGTH, plan.system)
    table = plan.compliance
    keys = zip(_texts(table, "unit_id"), _texts(table, "setback_id"), strict=True)
    return dict(zip(keys, _numbers(table, column, size), strict=True))


def _describe_rule(ruleset: Ruleset, setback: Setback) -> Content:
    """Return what a rule is known by: its set, its effect, and a hash of all that it says, the source apart."""
    said = setback.model_dump(mode="json", exclude_none=True, exclude_defaults=True, exclude={"source"})
    return {"ruleset": ruleset.title, "effect": setback.effect, "rule_sha256": hash_content(said)}


def _describe_product(product_id: str, products: Mapping[str, Product]) -> Content | None:
    """Return what a product is known by; its id alone where no catalog has it."""
    if not product_id:
        return None
    product = products.get(product_id)
    if product is None:
        return {"id": product_id}
    return {
        "id": product_id,
        "active": product.active,
        "form": product.form,
        "strength_kg_per_l": round_figures(product.strength_kg_per_l),
        "aquatic_label": product.aquatic_label,
        "registration": product.registration,
    }


def _group_setbacks(plan: PlanContent) -> dict[str, set[str]]:
    """Return the ids of the setbacks in force, by unit."""
    table, grouped = plan.unit_setbacks, dict[str, set[str]]()
    for unit_id, name in zip(_texts(table, "unit_id"), _texts(table, "setback_id"), strict=True):
        grouped.setdefault(unit_id, set()).add(name)
    return grouped


def _group_partners(plan: PlanContent) -> dict[str, list[Content]]:
    """Return the other products in the tank with their share of the mix, by unit."""
    table, grouped = plan.unit_products, dict[str, list[Content]]()
    columns = (*(_texts(table, name) for name in ("unit_id", "product_id", "role")), _numbers(table, "share_pct", 1.0))
    for unit_id, product_id, role, share in zip(*columns, strict=True):
        if role == "partner":
            partner = {"product": _describe_product(product_id, plan.products), "share_pct": share}
            grouped.setdefault(unit_id, []).append(partner)
    return grouped


def describe_rulesets(rulesets: Iterable[Ruleset], contents: Iterable[Any]) -> list[Content]:
    """Return title, authority, status, dates and a SHA-256 of the content of each rule set.

    Parameters
    ----------
    rulesets
        Sets as records.
    contents
        The same sets as their files hold them, in the same order.
    """
    described = []
    for ruleset, content in zip(rulesets, contents, strict=True):
        head = ruleset.ruleset
        described.append(
            {
                "title": head.title,
                "authority": head.authority,
                "status": head.status,
                "valid_from": "" if head.valid_from is None else head.valid_from.isoformat(),
                "valid_to": "" if head.valid_to is None else head.valid_to.isoformat(),
                "sha256": hash_content(content),
            }
        )
    return described
