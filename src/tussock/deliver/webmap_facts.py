"""In: a plan and the data of its map. Out: what stands around it: title, verdict, filters, legend, rules, cautions."""

from __future__ import annotations

from collections import Counter
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.approval import UNCHECKED
from tussock.base.approved import AS_APPROVED
from tussock.base.records import LOOK
from tussock.base.stages import PlanTables
from tussock.base.verdicts import FAILS, FIELD_CHECK, MEETS, NOT_CHECKED
from tussock.deliver.cautions import BLANKS, NOT_READY, list_cautions, list_rulesets
from tussock.deliver.webmap_figures import is_blank, show_figure, show_short, unit_word
from tussock.deliver.webmap_style import CLASSES, WITHHELD
from tussock.wording.outlines import name_set_aside

Facts = dict[str, Any]

_FILTERS: Final = (("status", "Status"), ("method", "Method"), ("product", "Product"))
_STATUS_WORDS: Final = {"no_option": "no option", "planned": "planned", WITHHELD: "details withheld"}
#: Verdicts of the compliance table, worst first; a unit has the worst of its rows.
_VERDICTS: Final = (FAILS, NOT_CHECKED, FIELD_CHECK)
_MEETS: Final = MEETS[0].upper() + MEETS[1:]
_VERDICT_WORDS: Final = {
    FAILS: "does not meet the loaded rules",
    NOT_CHECKED: "not checked, draft rule set",
    FIELD_CHECK: "within error, check in the field",
}


def gather_facts(plan: PlanTables, data: dict[str, Any], *, public: bool) -> Facts:
    """Return the texts around the map, not yet escaped.

    Parameters
    ----------
    plan
        Plan as drawn.
    data
        What `webmap_layers.gather_data` returned for it.
    public
        Whether the map is the public one, which it then says.
    """
    made_by = f"tussock {_find_version()}"
    return {
        "name": plan.site.name,
        "title": f"{plan.site.name}: treatment plan {plan.site.season}",
        "subtitle": _say_subtitle(plan, public=public),
        "verdict": count_verdicts(plan),
        "not_ready": NOT_READY,
        "filters": _list_filters(data),
        "classes": _list_classes(plan, data),
        "layers": _list_layers(data),
        "kinds": sorted(Counter(data["receptors"]["kind"]).items()),
        "rules": _list_rules(data),
        "season": [] if public else _list_season(plan),
        "rulesets": list_rulesets(plan),
        "cautions": list_cautions(plan),
        "blanks": ", ".join(BLANKS),
        "about": _say_about(plan, made_by),
        "made_by": made_by,
    }


def _find_version() -> str:
    try:
        return version("tussock")
    except PackageNotFoundError:
        return "(not installed)"


def _say_area(plan: PlanTables, size: float) -> str:
    return f"{show_figure(size, 'area')} {unit_word(c.AREA, plan.site.options.units)}"


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun if number == 1 else {'patch': 'patches'}.get(noun, f'{noun}s')}"


def _say_subtitle(plan: PlanTables, *, public: bool) -> str:
    area = plan.patches[f"area_{c.AREA.suffix(plan.site.options.units)}"].sum()
    patches = "1 patch" if len(plan.patches) == 1 else f"{len(plan.patches):,} patches"
    text = f"Treatment plan, season {plan.site.season}: {patches}, {_count(len(plan.units), 'unit')}, "
    text += _say_area(plan, area)
    return f"{text}. Public version: protected places are left out" if public else text


def count_verdicts(plan: PlanTables) -> list[tuple[str, bool]]:
    """Return in words how many units meet the loaded rules, and how many do not or cannot be told.

    Returns
    -------
    list of (str, bool)
        Texts in reading order; the flag marks those that must not be overlooked.
    """
    units = plan.units
    if not len(units):
        return [("No treatment units.", True)]
    if not plan.site.rulesets:
        return [("No rules are loaded: nothing was checked.", True)]
    if plan.site.treatments is None:
        return [("No treatments are loaded: units and setbacks only.", False)]
    planned = units[units["status"] == "planned"]
    treated = planned[planned["product_id"].map(lambda value: not is_blank(value)).astype(bool)]
    hidden = int((units["status"] == WITHHELD).sum())
    rows = plan.compliance[plan.compliance["unit_id"].isin(treated["unit_id"])]
    worst = {unit_id: len(_VERDICTS) for unit_id in treated["unit_id"]}
    places = {verdict: place for place, verdict in enumerate(_VERDICTS)}
    for unit_id, verdict in zip(rows["unit_id"], rows["verdict"], strict=True):
        worst[unit_id] = min(worst[unit_id], places.get(verdict, len(_VERDICTS)))
    counts = Counter(worst.values())
    texts = [(f"{_MEETS}: {counts[len(_VERDICTS)]:,} of {_count(len(treated), 'unit')} with herbicide", False)]
    for place, verdict in enumerate(_VERDICTS):
        if counts[place]:
            texts.append((f"{_VERDICT_WORDS[verdict]}: {counts[place]:,}", verdict != FIELD_CHECK))
    looked = int((planned["method"] == LOOK).sum())
    texts.append((f"non-chemical: {len(planned) - len(treated) - looked:,}", False))
    texts += [(f"look only, found empty: {looked:,}", False)] if looked else []
    texts.append((f"untreated: {len(units) - len(planned) - hidden:,}", False))
    aside = name_set_aside(plan.patches)
    texts += [(aside, True)] if aside else []
    texts += _count_states(plan)
    return [*texts, (f"details withheld: {hidden:,}", False)] if hidden else texts


def _count_states(plan: PlanTables) -> list[tuple[str, bool]]:
    """Return how many patches are as approved, and how many are not; nothing where no approval was given."""
    if plan.site.approval is None:
        return []
    counts = Counter(str(state) for state in plan.patches["approval"] if not is_blank(state))
    said = [(f"{_count(count, 'patch')} {state}", state != AS_APPROVED) for state, count in sorted(counts.items())]
    return [*said, (f"approval: {UNCHECKED}", True)]


def _list_filters(data: dict[str, Any]) -> list[Facts]:
    filters = []
    for key, label in _FILTERS:
        counts = Counter(data["units"][key])
        choices = [(number, _say_choice(key, data["texts"][number]), count) for number, count in counts.items()]
        filters.append({"key": key, "label": label, "choices": sorted(choices, key=lambda item: item[1])})
    return filters


def _say_choice(key: str, text: str) -> str:
    if key == "status":
        return _STATUS_WORDS.get(text, text or "not stated")
    return text or "none"


def _list_classes(plan: PlanTables, data: dict[str, Any]) -> list[Facts]:
    rows = []
    for place, item in enumerate(CLASSES):
        sizes = [area for area, own in zip(data["units"]["area"], data["units"]["class"], strict=True) if own == place]
        if item.key == "withheld" and not sizes:
            continue
        area = _say_area(plan, sum(sizes)) if sizes else ""
        rows.append({"place": place, "label": item.label, "count": f"{len(sizes):,}", "area": area})
    return rows


def _list_layers(data: dict[str, Any]) -> list[Facts]:
    checks = sum(1 for number in data["units"]["check"] if number)
    rows = (
        ("patches", "Patches as drawn", len(data["patches"]["id"]), True),
        ("check", "Edge within the mapping error: flag it", checks, True),
        ("water", "Water", len(data["water"]["title"]), True),
        ("access", "Access and standing places", len(data["access"]["title"]), True),
        ("history", "Earlier applications", len(data["history"]["title"]), True),
        ("labels", "Names on the map", "", True),
        ("receptors", "Receptors", len(data["receptors"]["title"]), True),
    )
    base = data["base"]
    ground = () if base is None else (("base", f"Background: {base['name']}", "", True),)
    names = ("key", "label", "count", "shown")
    return [dict(zip(names, row, strict=True)) for row in (*ground, *rows)]


def _list_season(plan: PlanTables) -> list[tuple[str, str, str, str]]:
    """Return the totals of the season: what, low, likely, high with its unit; counts once."""
    rows = []
    for item, low, likely, high, unit in plan.season[["item", "low", "likely", "high", "unit"]].itertuples(index=False):
        word = "" if unit == "count" else f" {_UNIT_WORDS.get(str(unit), str(unit))}"
        ends = [_say_total(value) for value in (low, likely, high)]
        rows.append((str(item), ends[0], f"{ends[1]}{word}" if ends[1] else "not known", ends[2]))
    return rows


def _say_total(value: Any) -> str:
    return "" if is_blank(value) else show_short(value, "count" if abs(float(value)) >= _LARGE else "liquid")


_LARGE: Final = 1000
_UNIT_WORDS: Final = {"l": "L"}


def _list_rules(data: dict[str, Any]) -> list[Facts]:
    """Return the rules for the legend; strips that forbid are shown from the start, a rule of the whole site is not."""
    return [
        {
            "place": place,
            "id": rule["id"],
            "says": data["texts"][rule["says"]],
            "shown": rule["effect"] == "forbids" and not rule["site"],
        }
        for place, rule in enumerate(data["rules"])
    ]


def _say_about(plan: PlanTables, made_by: str) -> list[str]:
    system = plan.site.options.units
    texts = [
        f"Made by {made_by}; figures in {'US customary' if system == 'us' else 'metric'} units, rounded once for "
        "display. The tables beside this map have them in full.",
        f"Distances were worked in {plan.crs.name}: areas within {plan.crs.area_error:.1g}, distances within "
        f"{plan.crs.distance_error:.1g} of the true size.",
        "Outlines are drawn to 11 mm, zones to about 0.1 m, on a Mercator projection without a background. The drawing "
        "decides nothing: units were cut and judged by exact distances.",
        "Colours: Okabe and Ito, Color Universal Design (2008). Map library: Leaflet 1.9.3, BSD 2-clause licence, "
        "(c) Vladimir Agafonkin, CloudMade.",
    ]
    texts += [f"Input: {item.role} {item.name}, SHA-256 {item.sha256[:16]}" for item in plan.site.documents]
    return texts
