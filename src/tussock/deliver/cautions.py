"""In: a plan. Out: the cautions, limits and blanks that every output carries."""

from __future__ import annotations

from typing import Final

from tussock.base.stages import PlanTables
from tussock.base.text import show_validity

NOT_READY: Final = "Not ready for field use: blanks are open"

#: Blanks that a person fills in before a sheet goes out.
BLANKS: Final = (
    "Emergency number",
    "Nearest hospital",
    "Poison information",
    "Reviewed by (qualified person)",
    "Date of the review",
)

CAUTIONS: Final = (
    "The label on the container is the law; this plan never widens it. A licensed or supervised person applies.",
    "State, county and local rules, permits and notices may add limits. Only the rules listed here, by title, date and "
    "status, were loaded.",
    "Distances depend on the mapped edge and carry the stated error: flag the real edge on the ground that day.",
    "Water state, people nearby, wind, temperature, inversion and rain are judged on site by the applicator, who may "
    "stop at any time.",
    "Quantities and hours are estimates with ranges: calibrate first, and mix no more than the day needs.",
    "Yearly totals are as good as the records of earlier work.",
)

INVENTED: Final = "Products marked as invented are for demonstration: read the figures from the real label."


def list_cautions(plan: PlanTables) -> list[str]:
    """Return the cautions of a plan; with the word on invented products where one is in the catalog."""
    invented = any("invented" in product.source.casefold() for product in plan.site.products.values())
    return [*CAUTIONS, INVENTED] if invented else list(CAUTIONS)


def list_rulesets(plan: PlanTables) -> list[tuple[str, str, str, str]]:
    """Return title, authority, dates and status of every rule set that was loaded."""
    rows = []
    for ruleset in plan.site.rulesets:
        header = ruleset.ruleset
        dates = show_validity(header.valid_from, header.valid_to)
        status = header.status + (f", read by {header.read_by}" if header.read_by else "")
        rows.append((header.title, header.authority, dates, status))
    return rows
