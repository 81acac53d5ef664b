"""In: two folders that plans were written into. Out: what differs, rule by rule and patch by patch, and in a few lines.

Only the files are read (``plan.gpkg``, ``product_budget.csv``, ``run.json``), so that plans of earlier versions and of
other machines compare. Figures are in the units of the first plan.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.base import columns as c
from tussock.base.errors import Fault, InputError, MissingInputError
from tussock.base.sources import check_database
from tussock.base.text import show_count
from tussock.budget.causes import find_price_effects, list_causes, list_changed_inputs

if TYPE_CHECKING:
    import pandas as pd

_SPRAYED: Final = ("broadcast", "spot")
#: Areas and hours that differ by less than this share are equal: both plans were rounded on their way.
_SAME: Final = 1e-6
#: A change under this is not printed.
_SHOWN: Final = 0.005
#: Figures of a product, and how they are shown.
_BY_PRODUCT: Final = {"product": c.LIQUID, "ae": c.MASS}
_FIGURES: Final = ("area", "sprayed", "herbicide", "no_option", "crew", "cost")


@dataclass(frozen=True)
class Comparison:
    """What differs between two plans; ``_a`` is the first, ``_b`` the second, ``change`` is b - a.

    Attributes
    ----------
    lines
        The differences that matter, in words.
    rules
        ``setback_id, ruleset, change (added, removed, changed), key, a, b``.
    patches
        ``patch_id, status_a, status_b, treatments_a, treatments_b`` and areas, hours and cost of both, only of patches
        where something differs.
    treatments
        Area and hours by patch and treatment chosen: the units of both plans, which may be cut differently.
    verdicts
        Area that each candidate is allowed on, by patch and candidate.
    products
        Volume and acid equivalent by product, partners in a tank counted, where they differ.
    season
        Totals of the season.
    causes
        ``cause, detail, crew_hours, cost``: what each cause changes. Prices are told apart from all else; where several
        other causes differ, theirs is ``the rest``, for two plans cannot tell which of them did it.
    """

    lines: tuple[str, ...]
    rules: pd.DataFrame
    patches: pd.DataFrame
    treatments: pd.DataFrame
    verdicts: pd.DataFrame
    products: pd.DataFrame
    season: pd.DataFrame
    causes: pd.DataFrame


@dataclass(frozen=True)
class _Plan:
    folder: str
    run: Mapping[str, Any]
    patches: pd.DataFrame
    units: pd.DataFrame
    options: pd.DataFrame
    season: pd.DataFrame
    products: pd.DataFrame
    system: c.UnitSystem


def compare_plans(folder_a: str | Path, folder_b: str | Path) -> Comparison:
    """Compare two delivered plans, patch by patch.

    Parameters
    ----------
    folder_a, folder_b
        Folders that plans were written into, such as one for each alternative.

    Returns
    -------
    Comparison
        What changed in rules, units, products, hours, cost and verdicts: ``lines`` in words, the rest as tables whose
        columns end in ``_a``, ``_b`` and ``_change`` (b - a), in the units of the first plan (acre, gal, lb, hours or
        ha, l, kg, hours) and its currency.

    Raises
    ------
    MissingInputError
        A folder holds no plan.
    InputError
        A file of a plan cannot be read, or the two have no patch in common.

    Examples
    --------
    >>> import tempfile, tussock
    >>> plan = tussock.make_plan(tussock.read_site(tussock.sample_path("small")))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = plan.write(f"{folder}/plan")
    ...     found = tussock.compare_plans(written, written)
    >>> found.lines[1]
    '0 of 3 patches differ; 0 products in other amounts'
    """
    a, b = _read(Path(folder_a)), _read(Path(folder_b))
    if not set(a.patches["patch_id"]) & set(b.patches["patch_id"]):
        found = f"no patch of {a.folder}"
        raise InputError(Fault(b.folder, "plan.gpkg, patches", found, "compare two plans of one site"))
    rules = _compare_rules(a, b)
    patches = _compare_patches(a, b)
    treatments = _compare_keys(a, b, ["patch_id", "treatment_id"], {"area": c.AREA, "crew": c.HOURS})
    verdicts = _compare_verdicts(a, b)
    products = _compare_products(a, b)
    season = _compare_season(a, b)
    causes = _find_causes(a, b, patches)
    lines = tuple(_describe(a, b, rules, patches, products, causes))
    differing = patches[patches["differs"]].drop(columns="differs")
    return Comparison(lines, rules, differing, treatments, verdicts, products, season, causes)


def list_lines(comparison: Comparison) -> Iterator[str]:
    """Say what differs, first over the site, then rule by rule, then patch by patch."""
    yield from comparison.lines
    for rule in comparison.rules.itertuples():
        what = f"{rule.key}: {rule.b} instead of {rule.a}" if rule.change == "changed" else f"{rule.change}"
        yield f"rule {rule.setback_id}: {what}"
    names = [name for name in comparison.patches.columns if name.endswith("_change")]
    rows: list[dict[str, Any]] = comparison.patches.to_dict("records")  # type: ignore[assignment]
    for row in rows:
        parts = [f"{row['status_b']} instead of {row['status_a']}"] if row["status_a"] != row["status_b"] else []
        if row["treatments_a"] != row["treatments_b"]:
            parts.append(f"{row['treatments_b'] or 'nothing'} instead of {row['treatments_a'] or 'nothing'}")
        parts += [
            f"{name.removesuffix('_change').replace('_', ' ')} {row[name]:+,.2f}"
            for name in names
            if abs(row[name]) >= _SHOWN
        ]
        parts += list(_list_one_sided(row, [name.removesuffix("_change") for name in names]))
        yield f"patch {row['patch_id']}: {', '.join(parts) or 'figures differ by less than is shown'}"


def _list_one_sided(row: Mapping[str, Any], names: Sequence[str]) -> Iterator[str]:
    """Say which figures of a patch that both plans hold only one of them knows."""
    if isinstance(row["status_a"], str) and isinstance(row["status_b"], str):
        for name in names:
            known = [plan for plan in ("a", "b") if not math.isnan(row[f"{name}_{plan}"])]
            if len(known) == 1:
                yield f"{name.replace('_', ' ')} known in plan {known[0].upper()} only"


def _read(folder: Path) -> _Plan:
    import pandas as pd
    import pyogrio

    for name in ("run.json", "plan.gpkg", "product_budget.csv"):
        if not (folder / name).is_file():
            need = "name a folder that `tussock plan` wrote"
            raise MissingInputError(Fault(str(folder), name, "no such file", need))
    try:
        run = json.loads((folder / "run.json").read_bytes())
        system: c.UnitSystem = "metric" if run["units"] == "metric" else "us"
        check_database(folder / "plan.gpkg")
        frames = [
            pyogrio.read_dataframe(folder / "plan.gpkg", layer=name, read_geometry=False)
            for name in ("patches", "units", "options", "season")
        ]
        table = pd.read_csv(folder / "product_budget.csv", dtype={"product_id": "str"}).set_index("product_id")
        products = table[[f"{name}_{quantity.suffix(system)}" for name, quantity in _BY_PRODUCT.items()]]
    except (ValueError, KeyError, TypeError, pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise InputError(Fault(str(folder), "plan", f"a file that is no plan ({error})", "plan it anew")) from error
    patches, units, options, season = frames
    return _Plan(str(folder), run, patches, units, options, season, products, system)


def _scale(a: _Plan, b: _Plan, quantity: c.Quantity) -> float:
    """Return the factor from the units of the second plan to those of the first."""
    return quantity.size(b.system) / quantity.size(a.system)


def _list_setbacks(plan: _Plan) -> dict[str, tuple[str, dict[str, Any]]]:
    setbacks: dict[str, tuple[str, dict[str, Any]]] = {}
    for document in plan.run.get("documents", ()):
        if document["role"] == "rules":
            title = str(document["content"].get("ruleset", {}).get("title", document["name"]))
            setbacks |= {str(item["id"]): (title, item) for item in document["content"].get("setback", ())}
    return setbacks


def _compare_rules(a: _Plan, b: _Plan) -> pd.DataFrame:
    import pandas as pd

    old, new = _list_setbacks(a), _list_setbacks(b)
    rows = []
    for name in dict.fromkeys([*old, *new]):
        if name not in old or name not in new:
            title, item = old.get(name) or new[name]
            change, before, after = ("removed", _show(item), "") if name in old else ("added", "", _show(item))
            rows.append((name, title, change, "", before, after))
            continue
        (title, first), (_, second) = old[name], new[name]
        changed = [key for key in dict.fromkeys([*first, *second]) if first.get(key) != second.get(key)]
        rows += [(name, title, "changed", key, _show(first.get(key)), _show(second.get(key))) for key in changed]
    return pd.DataFrame(rows, columns=["setback_id", "ruleset", "change", "key", "a", "b"])


def _show(value: Any) -> str:
    if value is None:
        return "not given"
    return value if isinstance(value, str) else json.dumps(value, sort_keys=True, ensure_ascii=False)


def _sum_patches(plan: _Plan, scale: Mapping[str, float]) -> pd.DataFrame:
    """Return the figures of each patch, in the units of the first plan."""
    import pandas as pd

    area, hours = c.AREA.suffix(plan.system), c.HOURS.suffix(plan.system)
    units = plan.units
    own = units[units["area_counted_with"].fillna("") == ""]
    size = own[f"area_{area}"] * scale["area"]
    herbicide = own["product_id"].fillna("") != ""
    parts = {
        "area": size,
        "sprayed": size.where(own["delivery"].isin(_SPRAYED), 0.0),
        "herbicide": size.where(herbicide, 0.0),
        "no_option": size.where(own["status"] != "planned", 0.0),
    }
    table = pd.DataFrame(parts).groupby(own["patch_id"]).sum()
    patches = plan.patches.set_index("patch_id")
    table = table.reindex(patches.index).fillna(0.0)
    table["crew"], table["cost"], table["status"] = patches[f"crew_{hours}"], patches["cost"], patches["status"]
    named = own[own["treatment_id"].fillna("") != ""].groupby("patch_id")["treatment_id"]
    table["treatments"] = named.agg(lambda ids: ";".join(sorted(set(ids)))).reindex(patches.index).fillna("")
    return table


def _compare_patches(a: _Plan, b: _Plan) -> pd.DataFrame:
    first, second = _sum_patches(a, {"area": 1.0}), _sum_patches(b, {"area": _scale(a, b, c.AREA)})
    order = [*first.index, *(name for name in second.index if name not in first.index)]
    first, second = first.reindex(order), second.reindex(order)
    table = first.add_suffix("_a").join(second.add_suffix("_b"))
    differs = (table["status_a"] != table["status_b"]) | (table["treatments_a"] != table["treatments_b"])
    for name in _FIGURES:
        change, one_sided = _find_change(table, name)
        if name == "cost" and _find_currency(a) != _find_currency(b):
            change, one_sided = change * float("nan"), one_sided & False
        table[f"{name}_change"] = change
        differs |= (change.notna() & (change != 0)) | one_sided
    pairs = [f"{name}_{end}" for name in ("status", "treatments") for end in ("a", "b")]
    ends = [f"{name}_{end}" for name in _FIGURES for end in ("a", "b", "change")]
    shown = table[[*pairs, *ends]].rename(columns=_suffix_names(a.system)).assign(differs=differs)
    return shown.rename_axis("patch_id").reset_index()


def _find_change(table: pd.DataFrame, name: str) -> tuple[pd.Series[float], pd.Series[bool]]:
    """Return b - a of a figure, and where only one plan knows it: nothing is taken away from what is not known.

    A patch that one plan does not hold counts as nothing there.
    """
    ends = {end: table[f"{name}_{end}"].astype(float).mask(table[f"status_{end}"].isna(), 0.0) for end in ("a", "b")}
    change = ends["b"] - ends["a"]
    size = ends["a"].abs().combine(ends["b"].abs(), max).fillna(0.0)
    return change.mask(change.abs() <= _SAME * size, 0.0), ends["a"].isna() != ends["b"].isna()


def _suffix_names(system: c.UnitSystem) -> dict[str, str]:
    quantity = {"area": c.AREA, "sprayed": c.AREA, "herbicide": c.AREA, "no_option": c.AREA, "crew": c.HOURS}
    return {
        f"{name}_{end}": f"{name}_{own.suffix(system)}_{end}"
        for name, own in quantity.items()
        for end in ("a", "b", "change")
    }


def _compare_keys(a: _Plan, b: _Plan, keys: list[str], figures: Mapping[str, c.Quantity]) -> pd.DataFrame:
    """Return figures of the units summed by keys, for both plans, where they differ."""
    import pandas as pd

    sums = []
    for plan in (a, b):
        own = plan.units[(plan.units["area_counted_with"].fillna("") == "") & (plan.units[keys[-1]].fillna("") != "")]
        columns = {
            f"{name}_{quantity.suffix(a.system)}": own[f"{name}_{quantity.suffix(plan.system)}"]
            * _scale(a, plan, quantity)
            for name, quantity in figures.items()
        }
        sums.append(pd.DataFrame(columns).groupby([own[key] for key in keys]).sum())
    table = sums[0].add_suffix("_a").join(sums[1].add_suffix("_b"), how="outer").fillna(0.0)
    return _keep_changes(table, [name.removesuffix("_a") for name in table.columns if name.endswith("_a")])


def _compare_products(a: _Plan, b: _Plan) -> pd.DataFrame:
    """Return volume and acid equivalent of each product, for both plans, where they differ."""
    names = list(a.products.columns)
    scaled = b.products.set_axis(names, axis=1) * [_scale(a, b, quantity) for quantity in _BY_PRODUCT.values()]
    joined = a.products.add_suffix("_a").join(scaled.add_suffix("_b"), how="outer").fillna(0.0)
    return _keep_changes(joined, names)


def _keep_changes(table: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    differs = None
    for name in names:
        change = table[f"{name}_b"] - table[f"{name}_a"]
        table[f"{name}_change"] = change
        own = change.abs() > _SAME * table[[f"{name}_a", f"{name}_b"]].abs().max(axis=1)
        differs = own if differs is None else differs | own
    return table[differs].reset_index() if differs is not None else table.reset_index()


def _compare_verdicts(a: _Plan, b: _Plan) -> pd.DataFrame:
    """Return the area on which each candidate is chosen or allowed, by patch, where it differs."""
    sums = []
    suffix = c.AREA.suffix(a.system)
    for plan in (a, b):
        joined = plan.options.merge(plan.units, on="unit_id", suffixes=("", "_unit"))
        open_ = joined["verdict"].isin(["chosen", "allowed"])
        size = (joined[f"area_{c.AREA.suffix(plan.system)}"] * _scale(a, plan, c.AREA)).where(open_, 0.0)
        sums.append(size.groupby([joined["patch_id"], joined["treatment_id"]]).sum().to_frame(f"allowed_{suffix}"))
    table = sums[0].add_suffix("_a").join(sums[1].add_suffix("_b"), how="outer").fillna(0.0)
    return _keep_changes(table, [f"allowed_{suffix}"])


def _compare_season(a: _Plan, b: _Plan) -> pd.DataFrame:
    sizes = {q.suffix(s): q for q in (c.AREA, c.LIQUID, c.MASS) for s in ("us", "metric")}
    second = b.season.copy()
    for unit, quantity in sizes.items():
        rows = second["unit"] == unit
        second.loc[rows, ["low", "likely", "high"]] *= _scale(a, b, quantity)
        second.loc[rows, "unit"] = quantity.suffix(a.system)
    ends = [own.set_index("item")[["likely", "unit"]] for own in (a.season, second)]
    table = ends[0].add_suffix("_a").join(ends[1].add_suffix("_b"), how="outer")
    table = table.loc[list(dict.fromkeys([*a.season["item"], *b.season["item"]]))]
    same = table["unit_a"] == table["unit_b"]
    table["change"] = (table["likely_b"] - table["likely_a"]).where(same)
    return table.reset_index()


def _find_causes(a: _Plan, b: _Plan, patches: pd.DataFrame) -> pd.DataFrame:
    """Return what each cause changes in hours and cost; together they are the whole change.

    What a plan uses does not depend on its prices, so they are taken first, at what the second plan uses. The other
    causes have what is left: one alone all of it, several together, for two plans cannot tell them apart.
    """
    import pandas as pd

    hours, cost = float(patches["crew_hours_change"].sum()), float(patches["cost_change"].sum())
    same_money = _find_currency(a) == _find_currency(b)
    known = patches.loc[patches["cost_change"].notna(), "patch_id"]
    units = b.units[b.units["patch_id"].isin(known)]
    whole = len(units) == len(b.units)
    moved = find_price_effects(a.run, b.run, units, b.products, b.system) if same_money and whole else {}
    rows = [("prices", name, 0.0, change) for name, change in moved.items() if abs(change) >= _SHOWN]
    left = cost - sum(moved.values())
    names = list_causes(a.run, b.run, (Path(a.folder), Path(b.folder)))
    if names:
        cause = names[0] if len(names) == 1 else "the rest"
        rows.append((cause, ", ".join(names), hours, left if same_money else math.nan))
    elif abs(hours) >= _SHOWN or (same_money and abs(left) >= _SHOWN):
        rows.append(("the rest", "not told by the documents of the plans", hours, left if same_money else math.nan))
    return pd.DataFrame(rows, columns=["cause", "detail", "crew_hours", "cost"])


def _describe(
    a: _Plan, b: _Plan, rules: pd.DataFrame, patches: pd.DataFrame, products: pd.DataFrame, causes: pd.DataFrame
) -> Iterator[str]:
    """Say what matters: the causes that differ, and what they do to ground, hours and cost."""
    area = c.AREA.suffix(a.system)
    spray, none = patches[f"sprayed_{area}_change"], patches[f"no_option_{area}_change"]
    effects = []
    words = ("lose spray", "gain spray", "lose every treatment", "gain a treatment")
    for change, text in zip((-spray, spray, none, -none), words, strict=True):
        lost = float(change.clip(lower=0).sum())
        if lost > 0:
            unit = {"acre": "acres"}.get(area, area)
            effects.append(f"{lost:.1f} {unit} {text}" if lost >= 0.05 else f"{lost:.3f} {unit} {text}")  # noqa: PLR2004
    hours = float(patches["crew_hours_change"].sum())
    effects.append(_count_change(hours, "crew hours"))
    costs = _find_currency(a), _find_currency(b)
    priced = causes[causes["cause"] == "prices"]
    if costs[0] == costs[1]:
        left = float(patches["cost_change"].sum()) - float(priced["cost"].sum())
        effects.append(_count_change(left, costs[0] or "of cost"))
    else:
        effects.append(f"cost not compared: {costs[0]} and {costs[1]}")
    effects += _list_unknown(patches, ("crew_hours", "cost") if costs[0] == costs[1] else ("crew_hours",))
    yield f"{_name_causes(rules, causes[causes['cause'] != 'prices'])}: {', '.join(effects)}"
    if len(priced):
        moved = _count_change(float(priced["cost"].sum()), costs[0] or "of cost")
        yield f"other prices ({', '.join(priced['detail'])}): {moved}"
    changed = patches[patches["differs"]]
    yield f"{len(changed)} of {len(patches)} patches differ; {len(products)} products in other amounts"
    for place, ids in (("a", changed["status_a"].isna()), ("b", changed["status_b"].isna())):
        if ids.any():
            missing = ", ".join(changed.loc[ids, "patch_id"].astype(str))
            yield f"patches not in plan {place.upper()}: {missing}"
    for name in ("site", "season", "units", "tussock"):
        if a.run.get(name) != b.run.get(name):
            yield f"{name}: {b.run.get(name)} instead of {a.run.get(name)}"
    files = list_changed_inputs(a.run, b.run, (Path(a.folder), Path(b.folder)))
    if files:
        yield f"input files that differ: {', '.join(files)}"


def _list_unknown(patches: pd.DataFrame, names: Sequence[str]) -> Iterator[str]:
    """Say over how many patches a change could not be taken."""
    for name in names:
        count = int(patches[f"{name}_change"].isna().sum())
        if count:
            yield f"{name.replace('_', ' ')} without {show_count(int(count), 'patch')} that one plan does not know"


def _name_causes(rules: pd.DataFrame, causes: pd.DataFrame) -> str:
    """Name what the changes on the ground come from; several causes are named together, for they are not told apart."""
    names = causes["detail"].iloc[0] if len(causes) else "rules"
    if names == "rules":
        return _name_rules(rules)
    if len(causes) and causes["cause"].iloc[0] == "the rest":
        return f"{_name_rules(rules)}; all that differs together ({names}), not told apart"
    return f"same rules, other {names}"


def _name_rules(rules: pd.DataFrame) -> str:
    if not len(rules):
        return "same rules"
    if len(rules) == 1 and rules["key"].iloc[0] == "distance":
        row = rules.iloc[0]
        return f"{row['setback_id']}, {row['b']} instead of {row['a']}"
    names = list(dict.fromkeys(rules["setback_id"]))
    most = 4
    return f"{len(names)} rules differ ({', '.join(names[:most])}{', ...' if len(names) > most else ''})"


def _count_change(change: float, what: str) -> str:
    if abs(change) < 0.05:  # noqa: PLR2004  (less than is shown)
        return f"no change in {what}"
    size = abs(change)
    number = f"{size:,.0f}" if size >= 10 else f"{size:.1f}"  # noqa: PLR2004
    return f"{number} {'more' if change > 0 else 'fewer'} {what}"


def _find_currency(plan: _Plan) -> str:
    rows = plan.season.loc[plan.season["item"] == "cost", "unit"]
    return str(rows.iloc[0] or "") if len(rows) else ""
