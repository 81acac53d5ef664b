"""In: treatments planned on units, products and rule sets. Out: findings: label, listing, aquatic label in water, dates."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.records import DELIVERY, Product, Treatment
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.review.seasons import find_planned, find_window

BoolArray = NDArray[np.bool_]

_SLACK: Final = 1e-9
#: Ground on open water under this, or under this share of a unit, is a shared edge.
_WET_M2: Final = 0.05
_WET_SHARE: Final = 2e-6


def find_label_faults(treatment: Treatment, product: Product) -> list[str]:
    """Return what the label of a product does not allow in a treatment, in words."""
    faults = []
    span = product.methods.get(treatment.method)
    share = treatment.concentration or 0.0
    if span is None:
        faults.append(f"{treatment.method} is not among the methods of the label")
    elif not span[0] * (1 - _SLACK) <= share <= span[1] * (1 + _SLACK):
        faults.append(f"{share:.4%} is outside the label's {span[0]:.4%} to {span[1]:.4%}")
    if treatment.carrier is not None and treatment.carrier not in product.carrier:
        faults.append(f"{treatment.carrier} is not a carrier of the label")
    if treatment.method == "basal_bark" and product.form != "ester":
        faults.append(f"basal bark takes an oil-soluble ester, this is a {product.form} (common practice)")
    return faults


def find_unlisted(evidence: Evidence, treatment: Treatment, product: Product) -> list[str]:
    """Return the titles of the listing rule sets that have no row for a treatment."""
    return [
        ruleset.title
        for ruleset in evidence.catalog.rulesets
        if ruleset.ruleset.listed_only
        and not any(
            row.matches(
                method=treatment.method, active=product.active, form=product.form, aquatic_label=product.aquatic_label
            )
            for row in ruleset.listed
        )
    ]


def check_label(evidence: Evidence) -> list[Row]:
    """Check that products are used as the label says: method, share in the mix, carrier, in water only if made for it."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    rows: list[Row] = []
    for place, treatment in enumerate(evidence.treatments):
        used = evidence.unit_treatment == place
        if treatment.product is None or not used.any():
            continue
        product = evidence.product(treatment)
        faults = ["its product is in no document"] if product is None else find_label_faults(treatment, product)
        if faults:
            where = f"treatment {treatment.id}, {int(used.sum())} units, first {ids[np.argmax(used)]}"
            rows.append(violation(where, "; ".join(faults), f"within the label of {treatment.product}"))
    rows += _check_columns(evidence)
    rows += _check_wet(evidence)
    return [
        *rows,
        info("plan.gpkg", f"{int(evidence.sprayed.sum())} units with a herbicide against the labels in run.json"),
    ]


def _check_columns(evidence: Evidence) -> list[Row]:
    """Check the unit's own columns of method, share and carrier, whatever its treatment says."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    faults: dict[int, str] = {}
    share = units["concentration_pct"].to_numpy() / 100
    columns = zip(units["product_id"], units["method"], units["carrier"], share, strict=True)
    for place, (product_id, method, carrier, part) in enumerate(columns):
        if not product_id:
            continue
        product = evidence.catalog.products.get(product_id)
        if product is None:
            faults[place] = f"product {product_id!r} is in no document"
            continue
        span = product.methods.get(method)
        if span is None:
            faults[place] = f"{method or 'no method'} is not among the methods of {product_id}"
        elif not span[0] * (1 - _SLACK) <= part <= span[1] * (1 + _SLACK):
            faults[place] = f"{part:.4%} is outside {span[0]:.4%} to {span[1]:.4%} of {product_id}"
        elif carrier not in product.carrier:
            faults[place] = f"{carrier or 'no carrier'} is not a carrier of {product_id}"
    bad = np.zeros(len(units), dtype=bool)
    bad[list(faults)] = True
    return pick_rows(bad, lambda k: violation(f"unit {ids[k]}", faults[k], "as the label says"))


def find_dry_labels(evidence: Evidence) -> BoolArray:
    """Tell which units are planned with a product that has no aquatic label."""
    products = evidence.catalog.products
    dry_records = [
        item.product is not None and not products[item.product].aquatic_label if item.product in products else False
        for item in evidence.treatments
    ]
    by_record = np.array([*dry_records, False], dtype=bool)[evidence.unit_treatment]
    by_column = [
        name in products and not products[name].aquatic_label for name in evidence.units["product_id"].tolist()
    ]
    return by_record | np.array(by_column, dtype=bool)


def _check_wet(evidence: Evidence) -> list[Row]:
    """Check that a unit which reaches into water is planned with an aquatic label."""
    doubt = find_dry_labels(evidence)
    if "water" not in evidence.edges or not doubt.any():
        return []
    wet_m2 = find_wet_ground_m2(evidence, doubt)
    units = evidence.units
    bad = (wet_m2 > _WET_M2) & (wet_m2 > _WET_SHARE * evidence.unit_area_m2)
    ids, products = units["unit_id"].to_numpy(), units["product_id"].to_numpy()
    return pick_rows(
        bad,
        lambda k: violation(
            f"unit {ids[k]}",
            f"{products[k]} without an aquatic label on {wet_m2[k]:.2f} m2 of water",
            "an aquatic label in water",
        ),
        wet_m2,
    )


def find_wet_ground_m2(evidence: Evidence, some: BoolArray) -> NDArray[np.float64]:
    """Return how much of some units lies on water that is not dry [m2]; streams drawn as lines have their width."""
    frame = evidence.delivered.layers["water"]
    wet = evidence.feature_column("water", "state") != "dry"
    half = evidence.half_width_m("water")
    nearest = evidence.nearest("water", np.where(wet, half, np.nan)) if wet.any() else None
    ground = np.zeros(len(evidence.units))
    if nearest is None:
        return ground
    touching = some & (nearest.on | (nearest.distance_m - half[nearest.owner] <= 0))
    outlines = np.asarray(frame.geometry.array, dtype=object)
    for part, outline, _ in evidence._local:
        chosen = touching[part.members]
        members, shapes = part.members[chosen], outline[chosen]
        if not len(members):
            continue
        ground[members] = _measure_wet(evidence, part, shapes, outlines[wet], half[wet])
    return ground


def _measure_wet(
    evidence: Evidence, part: Any, shapes: NDArray[Any], water: NDArray[Any], half: NDArray[np.float64]
) -> NDArray[np.float64]:
    from tussock.review.geometry import _move, move_to_degrees

    local = _move(move_to_degrees(water, evidence.delivered.layers["water"].crs), part.to_local)
    wide = half > 0
    local[wide] = shapely.buffer(local[wide], half[wide])
    unit, feature = shapely.STRtree(local).query(shapes, predicate="intersects")
    area = shapely.area(shapely.intersection(shapes[unit], local[feature]))
    total: NDArray[np.float64] = np.bincount(unit, area, minlength=len(shapes))
    return total


def check_listing(evidence: Evidence) -> list[Row]:
    """Check that every planned combination has a row in each rule set that lists what it permits."""
    rows: list[Row] = []
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    listing = [item.title for item in evidence.catalog.rulesets if item.ruleset.listed_only]
    if not listing:
        return [info("run.json", "no rule set that lists what it permits")]
    pairs = units["method"].astype(str) + "\x1f" + units["product_id"].astype(str)
    for text in dict.fromkeys(pairs[evidence.sprayed].tolist()):
        method, product_id = text.split("\x1f", 1)
        product = evidence.catalog.products.get(product_id)
        if product is None or method not in DELIVERY:
            continue
        probe = next((item for item in evidence.treatments if item.method == method), None)
        missing = find_unlisted(evidence, probe, product) if probe is not None else listing
        used = (pairs == text).to_numpy()
        rows += [
            violation(
                f"{int(used.sum())} units, first {ids[np.argmax(used)]}",
                f"{product.active} {product.form} by {DELIVERY[method]}, {'' if product.aquatic_label else 'no '}aquatic label",
                f"a row in {title}",
                "not listed",
            )
            for title in missing
        ]
    return [*rows, info("run.json", f"{len(listing)} rule sets that list what they permit")]


def check_dates(evidence: Evidence) -> list[Row]:
    """Check that planned dates are of the season and lie in the window of their treatment."""
    units = evidence.units
    texts = units["treatment_id"] + "\x1f" + units["season_from"] + "\x1f" + units["season_to"]
    windows = {item.id: item.season for item in evidence.treatments}
    faults = {text: _find_date_fault(evidence, windows, *text.split("\x1f")) for text in dict.fromkeys(texts.tolist())}
    bad = texts.map(lambda text: bool(faults[text])).to_numpy(dtype=bool)
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        bad,
        lambda k: violation(
            f"unit {ids[k]}", f"{units['season_from'].iloc[k]} to {units['season_to'].iloc[k]}", faults[texts.iloc[k]]
        ),
    )
    return [*rows, info("plan.gpkg", f"dates of {len(units)} units")]


def _find_date_fault(
    evidence: Evidence, windows: dict[str, tuple[str, str] | None], treatment: str, first: str, last: str
) -> str:
    """Return what is expected of a pair of dates where they are wrong; an empty text where they are not."""
    if not treatment:
        return "" if first == last == "" else "no dates where nothing is planned"
    days = find_planned(first, last)
    if days is None:
        return "two dates, such as 2027-07-01 and 2027-09-30"
    if int(first[:4]) != evidence.catalog.season:
        return f"a first day in {evidence.catalog.season}"
    window = windows.get(treatment)
    open_days = find_window(window)
    leap = open_days.copy()
    leap[58] |= open_days[59]  # 28 February stands for the 29th in a common year
    return "" if not (days & ~leap).any() else f"within {' to '.join(window or ())}, the window of {treatment}"
