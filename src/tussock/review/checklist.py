"""In: nothing. Out: the checklist of a review: what each check proves, who asks for it, what it needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from tussock.review import (
    choices,
    compliance,
    dates,
    doses,
    efforts,
    ground,
    kinds,
    labels,
    limits,
    origins,
    pages,
    permits,
    ranges,
    reach,
    reasons,
    repeats,
    setbacks,
    sheets,
    sums,
    tables,
    uses,
    water,
    ways,
    work_files,
    zones,
)
from tussock.review.evidence import Evidence
from tussock.review.rows import Row

_GPKG: Final = ("plan.gpkg, patches", "plan.gpkg, units")
#: What a check needs that measures on the ground.
_PLACED: Final = (*_GPKG, "crs")
_RULED: Final = (*_PLACED, "plan.gpkg, water", "documents")


@dataclass(frozen=True)
class Check:
    """One line of the checklist.

    Attributes
    ----------
    id, title
        Name in the table of a review, and in words.
    proves
        What holds where it finds nothing.
    source
        Document, standard or promise that asks for it.
    needs
        Files, layers and tables without which it cannot run.
    run
        The check itself.
    """

    id: str
    title: str
    proves: str
    source: str
    needs: tuple[str, ...]
    run: Callable[[Evidence], list[Row]]


_PLAN: Final = "promise of the plan"
_LABEL: Final = "the product label, which is the law (in the United States 7 U.S.C. 136j(a)(2)(G))"
_RULES: Final = "the loaded rule sets; each finding names the clause"
_GEODESICS: Final = "geodesics on WGS 84: Karney 2013, doi 10.1007/s00190-012-0578-z"

CHECKLIST: Final[tuple[Check, ...]] = (
    Check(
        "hashes",
        "files are as written",
        "no file was changed since the plan was written",
        "SHA-256: FIPS 180-4; listed in run.json",
        (),
        origins.check_hashes,
    ),
    Check(
        "run",
        "run.json agrees with itself",
        "season, units, accuracy and rule sets that run.json repeats are those of its documents",
        _PLAN,
        (),
        origins.check_run,
    ),
    Check(
        "columns",
        "tables have their columns",
        "every column of the contract is there, numbers are numbers, ids stand once",
        _PLAN,
        _GPKG,
        tables.check_columns,
    ),
    Check(
        "crs",
        "layers lie where they were measured",
        "one CRS for all layers, named in run.json, and outlines on the ground that distances were measured on",
        "OGC 12-128r18 (GeoPackage 1.3), clause 1.1.2",
        _GPKG,
        ground.check_crs,
    ),
    Check(
        "tiling",
        "units tile their patch",
        "no ground of a patch is without a unit, in two units, or outside",
        _PLAN + ": areas add up to 1e-9",
        _GPKG,
        ground.check_tiling,
    ),
    Check(
        "areas",
        "areas are true",
        "areas agree with the ellipsoid to 1e-5, infested areas with the cover",
        _GEODESICS,
        _PLACED,
        ground.check_areas,
    ),
    Check(
        "rules",
        "rules shown are the rules loaded",
        "distance, effect, season and source of each zone are those of the documents",
        _RULES,
        ("plan.gpkg, setback_zones", "documents"),
        origins.check_rules,
    ),
    Check(
        "zones",
        "zones are drawn at their distance",
        "the outline of each zone stands at the distance that its rule asks for, errors counted, by sampling",
        _GEODESICS,
        (*_RULED, "plan.gpkg, setback_zones"),
        zones.check_zones,
    ),
    Check(
        "distances",
        "distances are true",
        "the nearest water and receptor of units and patches are as far as said",
        _GEODESICS,
        _RULED,
        setbacks.check_distances,
    ),
    Check(
        "setbacks",
        "units list the setbacks in force",
        "no unit without a setback lies nearer than it allows, errors counted; none lists one that is not in force",
        _RULES,
        _RULED,
        setbacks.check_setbacks,
    ),
    Check(
        "forbidden",
        "nothing forbidden is planned",
        "no planned work stands where a setback forbids it on the planned dates",
        _RULES,
        _RULED,
        setbacks.check_forbidden,
    ),
    Check(
        "kinds",
        "no herbicide where no rule speaks",
        "none near a kind of water or receptor that no rule names, none where no rule speaks of water",
        _RULES,
        (*_RULED, "plan.gpkg, options"),
        kinds.check_kinds,
    ),
    Check(
        "compliance",
        "the compliance table holds",
        "one row for each unit and setback, with the figures measured anew and the verdict that follows",
        _RULES,
        (*_RULED, "plan.gpkg, compliance"),
        compliance.check_compliance,
    ),
    Check(
        "permits",
        "permits and notices are listed",
        "each that planned work asks for is listed once, with the water and the shore that its rule set counts",
        _RULES,
        _RULED,
        permits.check_permits,
    ),
    Check(
        "listed",
        "combinations are listed",
        "where a rule set lists what it permits, nothing else is planned",
        _RULES,
        ("plan.gpkg, units", "documents"),
        labels.check_listing,
    ),
    Check(
        "label",
        "products are used by their label",
        "method, share in the mix and carrier are on the label; nothing without an aquatic label stands in water",
        _LABEL,
        _RULED,
        labels.check_label,
    ),
    Check(
        "water",
        "wet is treated as wet",
        "nothing that has no place in water is allowed in it, and nothing is refused for water that is not there",
        _LABEL,
        (*_RULED, "plan.gpkg, options"),
        water.check_water,
    ),
    Check(
        "reach",
        "ground is within reach",
        "what is planned is reached on foot, from the bank and standing places, or by boat where access says so",
        _PLAN,
        (*_RULED, "plan.gpkg, options"),
        reach.check_reach,
    ),
    Check(
        "dates",
        "dates lie in their windows",
        "planned dates are of the season, in the windows of treatment and label, and outside closures",
        _PLAN,
        ("plan.gpkg, units", "documents"),
        dates.check_dates,
    ),
    Check(
        "doses",
        "amounts follow from the rates",
        "liquid, product, acid equivalent, time and cuts are rate x share x strength x ground or stems",
        _PLAN,
        (*_GPKG, "documents"),
        doses.check_doses,
    ),
    Check(
        "limits",
        "limits are kept",
        "one application and the year, with earlier work and other patches on the ground, stay within the label",
        _LABEL,
        (*_PLACED, "documents"),
        limits.check_limits,
    ),
    Check(
        "overlaps",
        "shared ground is planned once",
        "no ground is treated twice for one species",
        _PLAN,
        (*_PLACED, "documents"),
        limits.check_overlaps,
    ),
    Check(
        "efforts",
        "hours and cost follow from the operations",
        "loads, hours and cost are amounts, paces and prices",
        _PLAN,
        (*_GPKG, "documents"),
        efforts.check_efforts,
    ),
    Check(
        "hours",
        "hours follow term by term",
        "every term of the paid hours follows from amounts, times and ways",
        _PLAN,
        (*_GPKG, "documents"),
        ways.check_hours,
    ),
    Check(
        "ways",
        "ways on foot are true",
        "the ways to vehicles and mixing places, and the edges to be flagged, are as long as said",
        _GEODESICS,
        _RULED,
        ways.check_ways,
    ),
    Check(
        "sums",
        "budgets add up",
        "season, patches and products are the sums of the units",
        _PLAN,
        (*_GPKG, "plan.gpkg, season", "product_budget.csv", "documents"),
        sums.check_sums,
    ),
    Check(
        "ranges",
        "low and high follow from the cover",
        "both ends of hours, cost and season follow from the lowest and highest cover",
        _PLAN,
        (*_GPKG, "plan.gpkg, season", "documents"),
        ranges.check_ranges,
    ),
    Check(
        "choices",
        "the best allowed candidate is chosen",
        "every candidate is judged on every unit, and the lowest preference allowed is planned",
        _PLAN,
        (*_RULED, "plan.gpkg, options"),
        choices.check_choices,
    ),
    Check(
        "status",
        "states and reasons agree",
        "status, method, product, cautions and reasons are those of the treatment planned and the setbacks in force",
        _PLAN,
        _RULED,
        choices.check_status,
    ),
    Check(
        "uses",
        "the map says what is left open",
        "the class that colours a unit follows from its setbacks, and doubtful distances are to be checked outside",
        _RULES,
        (*_RULED, "plan.gpkg, compliance"),
        uses.check_uses,
    ),
    Check(
        "tables",
        "files hold the same tables",
        "GeoPackage, CSV files, workbook and map agree, cell by cell",
        _PLAN,
        _GPKG,
        tables.check_tables,
    ),
    Check(
        "reasons",
        "figures in reasons are true",
        "distances and limits that refuse a candidate are those measured anew and those of the labels",
        _RULES,
        (*_RULED, "plan.gpkg, options"),
        reasons.check_reasons,
    ),
    Check(
        "repeats",
        "what is said twice agrees",
        "widths, doses and names of features, overlaps, words of rules, and run.json with its own site document",
        _PLAN,
        (*_PLACED, "documents", "plan.gpkg, setback_zones", "plan.gpkg, season"),
        repeats.check_repeats,
    ),
    Check(
        "pages",
        "pages say what the plan holds",
        "compliance.html has each pair once, as in the table, with refusals, rule sets, cautions; the map each outline",
        _PLAN,
        (*_PLACED, "plan.gpkg, compliance", "documents"),
        pages.check_pages,
    ),
    Check(
        "work",
        "files of the work follow from the plan",
        "loads, bid schedule, calendar, findings and cautions are those of the units and of run.json",
        _PLAN,
        _GPKG,
        work_files.check_work,
    ),
    Check(
        "sheets",
        "crew sheets say what is planned",
        "the sheet of each patch names every planned unit, and its product at the share of the mix",
        _PLAN,
        _GPKG,
        sheets.check_sheets,
    ),
    Check(
        "words",
        "no output says more than it knows",
        "nothing is called compliant",
        _PLAN,
        _GPKG,
        origins.check_words,
    ),
)
