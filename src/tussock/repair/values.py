"""In: attribute columns as the mapper wrote them. Out: SI columns with known names, faults and findings."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, get_args

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import DENSITY
from tussock.base.errors import Fault, InputError, QuantityError
from tussock.base.findings import Finding
from tussock.base.records import GrowthForm
from tussock.base.text import show_count, show_date
from tussock.base.units import FOOT_M, INCH_M, LB_PER_ACRE_KG_PER_HA
from tussock.trade import actives, cover, methods, places

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from tussock.base.days import Season
    from tussock.base.records import Product
    from tussock.base.stages import Layer, SiteOptions

_GROWTH_FORMS = get_args(GrowthForm)
_WORD = re.compile(r"[^\W_]+")
_ID_COLUMNS = ("water_id", "receptor_id", "access_id", "feature_id", "id", "name", "label")


def place_of(layer: Layer) -> str:
    """Return file and layer as faults name them."""
    return f"{layer.path}, layer {layer.file_layer}" if layer.file_layer else layer.path


def read_numbers(
    frame: pd.DataFrame, columns: dict[str, float], where: str, rows: list[str], faults: list[Fault], *, above: bool
) -> NDArray[np.float64]:
    """Return the first of several columns that is there, in SI; text that is no number is a fault, a blank is nan.

    Parameters
    ----------
    frame
        Layer.
    columns
        Column name -> size of its unit in SI.
    where, rows
        File and row names for faults.
    faults
        Collected here.
    above
        True: the number must be more than zero; False: zero is accepted.
    """
    import pandas as pd

    name = next((column for column in columns if column in frame.columns), None)
    if name is None:
        return np.full(len(frame), np.nan)
    raw = frame[name]
    blank = raw.isna() | (raw.astype(str).str.strip() == "")
    numbers = pd.to_numeric(raw.where(~blank), errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    low = numbers <= 0 if above else numbers < 0
    wrong = (np.isnan(numbers) & ~blank.to_numpy()) | low | np.isinf(numbers)
    need = (
        "write a number above zero, or leave it blank" if above else "write a number, zero or more, or leave it blank"
    )
    faults += [
        Fault(where, f'{rows[place]}, column "{name}"', _show(raw.iloc[place]), need)
        for place in np.flatnonzero(wrong).tolist()
    ]
    return numbers * columns[name]


def _show(value: object) -> str:
    """Return a cell as a fault shows it: a number plainly, a text in quotes."""
    return repr(value.item() if isinstance(value, np.generic) else value)


def read_words(frame: pd.DataFrame, name: str) -> list[str]:
    """Return a text column stripped; a blank or an absent column gives empty texts."""
    if name not in frame.columns:
        return [""] * len(frame)
    values = frame[name]
    return ["" if missing else str(value).strip() for value, missing in zip(values, values.isna(), strict=True)]


def set_patch_values(
    layer: Layer, frame: gpd.GeoDataFrame, options: SiteOptions
) -> tuple[gpd.GeoDataFrame, list[Fault], list[Finding]]:
    """Give patches their index and SI columns: growth form, cover, stems."""
    where = place_of(layer)
    faults: list[Fault] = []
    findings: list[Finding] = []
    ids = _read_ids(frame, where, faults)
    rows = [f'row {place + 1} (patch_id "{name}")' for place, name in enumerate(ids)]
    frame = frame.copy()
    frame["patch_id"] = ids
    frame["species"] = read_words(frame, "species")
    forms = [word.casefold() for word in read_words(frame, "growth_form")]
    need = f"write one of {', '.join(_GROWTH_FORMS)}, or leave it blank"
    faults += [
        Fault(where, f'{row}, column "growth_form"', f'"{form}"', need)
        for row, form in zip(rows, forms, strict=True)
        if form and form not in _GROWTH_FORMS
    ]
    frame["growth_form"] = forms
    _note_blanks(frame, ids, findings)
    density = {"stems_per_acre": DENSITY.us_size, "stems_per_ha": 1.0}
    diameter = {"stem_diameter_in": INCH_M, "stem_diameter_cm": 0.01}
    frame["stems_per_ha"] = read_numbers(layer.frame, density, where, rows, faults, above=False)
    frame["stem_count"] = read_numbers(layer.frame, {"stem_count": 1.0}, where, rows, faults, above=False)
    frame["stem_diameter_m"] = read_numbers(layer.frame, diameter, where, rows, faults, above=True)
    frame["bark_wet"] = [word.casefold() in ("1", "true", "yes", "wet") for word in read_words(frame, "bark_wet")]
    frame["slope_pct"] = read_numbers(layer.frame, {"slope_pct": 1.0}, where, rows, faults, above=False)
    _set_cover(frame, layer, options, (where, rows), faults, findings)
    return frame.set_index("patch_id"), faults, findings


def _read_ids(frame: gpd.GeoDataFrame, where: str, faults: list[Fault]) -> list[str]:
    ids = []
    first: dict[str, int] = {}
    for place, value in enumerate(read_words(frame, "patch_id")):
        name = value.removesuffix(".0") if value.replace(".", "", 1).isdigit() else value
        if not name:
            faults.append(Fault(where, f'row {place + 1}, column "patch_id"', "a blank", "give every patch an id"))
        elif name in first:
            need = f"row {first[name] + 1} has it too: give every patch an id of its own"
            faults.append(Fault(where, f'row {place + 1}, column "patch_id"', f'"{name}" twice', need))
        first.setdefault(name, place)
        ids.append(name)
    return ids


def _note_blanks(frame: gpd.GeoDataFrame, ids: list[str], findings: list[Finding]) -> None:
    for column, effect in (
        ("species", "only treatments by growth form"),
        ("growth_form", "only treatments by species"),
    ):
        blank = [name for name, value in zip(ids, frame[column], strict=True) if not value]
        if blank:
            shown = ", ".join(blank[:8]) + (f" and {len(blank) - 8} more" if len(blank) > 8 else "")  # noqa: PLR2004
            findings.append(Finding("repair", "infestations", shown, f"{column} is blank", f"{effect} can be matched"))


def _set_cover(
    frame: gpd.GeoDataFrame,
    layer: Layer,
    options: SiteOptions,
    names: tuple[str, list[str]],
    faults: list[Fault],
    findings: list[Finding],
) -> None:
    """Set low, likely and high cover [%]; an unknown or refused entry is nan and said so."""
    where, rows = names
    raw = layer.frame["cover_pct"] if "cover_pct" in layer.frame.columns else [None] * len(frame)
    try:
        entries = cover.read_cover_column(list(raw), scheme=options.cover_scheme, default=options.default_cover)
    except QuantityError as error:
        found, _, need = str(error).partition("; ")
        raise InputError(Fault("site file", "site.cover_scheme or site.default_cover", found, need)) from error
    for place, entry in enumerate(entries):
        if entry.impossible:
            faults.append(Fault(where, f'{rows[place]}, column "cover_pct"', _show(list(raw)[place]), entry.note))
        elif entry.refused or entry.likely is None:
            done = "cover is unknown: not 0, not 100; amounts of this patch stay blank"
            what = f"cover {list(raw)[place]!r} refused: {entry.note}" if entry.refused else "cover is blank"
            findings.append(Finding("repair", "infestations", frame["patch_id"].iloc[place], what, done))
    for column, name in (("low", "cover_low_pct"), ("likely", "cover_pct"), ("high", "cover_high_pct")):
        shares = [getattr(entry, column) for entry in entries]
        frame[name] = [np.nan if share is None else share * 100 for share in shares]
    frame["cover_note"] = [entry.note for entry in entries]
    frame["cover_source"] = [
        "" if entry.likely is None else "default" if entry.default else "mapped" for entry in entries
    ]


def _set_kinds(frame: gpd.GeoDataFrame, kinds: Mapping[str, str], fallback: str) -> None:
    """Set kind, taken as the rule files say, and label; codes of a numeric column are written without a point."""
    given = [word.casefold() for word in _read_kinds(frame)]
    frame["kind"] = given
    frame["label"] = _labels(frame, fallback)
    if kinds:
        frame["kind"] = [kinds.get(kind, kind) for kind in given]
        frame["kind_given"] = given


def _read_kinds(frame: gpd.GeoDataFrame) -> list[str]:
    """Return kinds as words; a table with gaps holds a code such as 460 as 460.0."""
    words = read_words(frame, "kind")
    values = frame["kind"] if "kind" in frame.columns else words
    return [
        str(int(value)) if isinstance(value, float) and value.is_integer() else word
        for word, value in zip(words, values, strict=True)
    ]


def set_water_values(
    layer: Layer, frame: gpd.GeoDataFrame, kinds: Mapping[str, str]
) -> tuple[gpd.GeoDataFrame, list[Fault], list[Finding]]:
    """Give water its kind, state and width; an unknown state is wet, an unknown width of a line a default.

    A width of 0 is not known either: tables write 0 where nothing was measured. The site file can say that it is real.
    """
    where = place_of(layer)
    faults: list[Fault] = []
    findings: list[Finding] = []
    frame = frame.copy()
    rows = [f"row {row + 1}" for row in frame.index]
    _set_kinds(frame, kinds, "water")
    given = frame["kind_given"] if kinds else frame["kind"]
    states = [word.casefold() for word in read_words(frame, "state")]
    unknown = [frame["label"].iloc[place] for place, state in enumerate(states) if state not in ("wet", "dry")]
    if unknown:
        shown = _shorten(unknown)
        findings.append(Finding("repair", "water", shown, "the state of water is not known", "taken as wet", "info"))
    frame["state"] = [state if state == "dry" else "wet" for state in states]
    frame["wade"] = _read_answers(layer.frame, "wade", where, rows, faults)
    width = read_numbers(layer.frame, {"width_ft": FOOT_M, "width_m": 1.0}, where, rows, faults, above=False)
    is_line = frame.geometry.geom_type.isin(["LineString", "MultiLineString"]).to_numpy()
    zero = is_line & (width == 0) & (layer.zero_width == "unknown")
    if zero.any():
        findings.append(_ask_for_widths(frame["label"][zero].tolist()))
    width[zero] = np.nan
    assumed = is_line & np.isnan(width)
    for place in np.flatnonzero(assumed).tolist():
        kind = frame["kind"].iloc[place]
        default = layer.default_width_m.get(given.iloc[place], layer.default_width_m.get(kind))
        default = methods.default_width_m(kind) if default is None else default
        if default is None:
            example = f'[layers.water] default_width = {{ {kind or "stream"} = "10 ft" }}'
            need = f"give it a width_ft, or a default for its kind: {example}"
            faults.append(Fault(where, f"{rows[place]} ({frame['label'].iloc[place]})", "a line without width", need))
            continue
        width[place] = default
        done = f"width of {default / FOOT_M:.3g} ft ({default:.3g} m) taken; check every result near it in the field"
        findings.append(Finding("repair", "water", frame["label"].iloc[place], "the width is not known", done))
    frame["width_m"] = np.where(is_line & ~np.isnan(width), width, 0.0)
    frame["width_assumed"] = assumed
    if not any(frame["kind"]) and len(frame):
        done = "every rule for any kind of water counts there"
        findings.append(Finding("repair", "water", "all rows", "no kind of water is mapped", done))
    return frame, faults, findings


def _ask_for_widths(labels: list[str]) -> Finding:
    what = f"a width of 0 on {show_count(len(labels), 'line')}: is it known?"
    done = (
        "taken as not known: write the width, or zero_width = "
        '"none" in [layers.water] where lines stand for the edge itself'
    )
    return Finding("repair", "water", _shorten(labels), what, done)


def _read_answers(frame: pd.DataFrame, name: str, where: str, rows: list[str], faults: list[Fault]) -> list[str]:
    """Return yes, no or a blank of a column; another word is a fault."""
    words = {"yes": "yes", "true": "yes", "1": "yes", "1.0": "yes", "no": "no", "false": "no", "0": "no", "0.0": "no"}
    read = [word.casefold() for word in read_words(frame, name)]
    faults += [
        Fault(where, f'{row}, column "{name}"', f'"{word}"', "write yes or no, or leave it blank")
        for row, word in zip(rows, read, strict=True)
        if word and word not in words
    ]
    return [words.get(word, "") for word in read]


def set_receptor_values(
    layer: Layer, frame: gpd.GeoDataFrame, kinds: Mapping[str, str]
) -> tuple[gpd.GeoDataFrame, list[Fault], list[Finding]]:
    """Give receptors and access features their kind and label; say which access opens no ground."""
    frame = frame.copy()
    frame["name"] = read_words(frame, "name")
    _set_kinds(frame, kinds, layer.name)
    return frame, [], _list_silent_access(frame) if layer.name == "access" else []


def _list_silent_access(frame: gpd.GeoDataFrame) -> list[Finding]:
    """Say which access features state nothing by their kind: nobody is taken to stand there."""
    silent: dict[str, list[str]] = {}
    for kind, label in zip(frame["kind"], frame["label"], strict=True):
        if places.find_access_use(kind) is None:
            silent.setdefault(kind, []).append(label)
    done = (
        f"opens no ground: nobody stands there and no boat; kinds for standing: "
        f"{', '.join(places.list_access_kinds('standing'))}; for boats: "
        f"{', '.join(places.list_access_kinds('launch') + places.list_access_kinds('boat'))}"
    )
    return [
        Finding("repair", "access", _shorten(sorted(labels)), f'kind "{kind}"' if kind else "no kind", done)
        for kind, labels in sorted(silent.items())
    ]


def _labels(frame: gpd.GeoDataFrame, fallback: str) -> list[str]:
    column = next((name for name in _ID_COLUMNS if name in frame.columns and any(read_words(frame, name))), None)
    names = read_words(frame, column) if column else [""] * len(frame)
    kinds = read_words(frame, "kind")
    return [
        _join_kind(kind or fallback, name) if name else f"{kind or fallback} (row {row + 1})"
        for row, kind, name in zip(frame.index, kinds, names, strict=True)
    ]


def _join_kind(kind: str, name: str) -> str:
    """Return kind and name; a name that holds the kind as words of its own stands alone: "Lake Quillan"."""
    held = f" {' '.join(_WORD.findall(name.casefold()))} "
    words = " ".join(_WORD.findall(kind.casefold()))
    return name if words and f" {words} " in held else f"{kind} {name}"


def _shorten(names: list[str], most: int = 6) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def set_history_values(
    layer: Layer, frame: gpd.GeoDataFrame, products: dict[str, Product], season: Season
) -> tuple[gpd.GeoDataFrame, list[Fault], list[Finding]]:
    """Give earlier applications their active, dose [kg ae/ha] and date, whatever year they are of."""
    where = place_of(layer)
    faults: list[Fault] = []
    findings: list[Finding] = []
    frame = frame.copy()
    rows = [f"row {place + 1}" for place in range(len(frame))]
    frame["product_id"] = read_words(frame, "product_id")
    frame["active"] = _read_actives(frame, products, where, rows, faults)
    doses = {"ae_lb_per_acre": LB_PER_ACRE_KG_PER_HA, "ae_kg_per_ha": 1.0}
    frame["ae_kg_per_ha"] = read_numbers(layer.frame, doses, where, rows, faults, above=False)
    missing = np.isnan(frame["ae_kg_per_ha"].to_numpy()) if not faults else np.zeros(len(frame), dtype=bool)
    faults += [
        Fault(where, f'{rows[place]}, column "ae_lb_per_acre"', "a blank", "write the ae per area that was applied")
        for place in np.flatnonzero(missing).tolist()
    ]
    density = {"stems_per_acre": DENSITY.us_size, "stems_per_ha": 1.0}
    frame["stems_per_ha"] = read_numbers(layer.frame, density, where, rows, faults, above=False)
    frame["date"] = _read_dates(frame, where, rows, faults)
    frame["label"] = [f"record {place + 1}" for place in range(len(frame))]
    return frame, faults, [*findings, *_note_other_dates(frame, rows, season)]


def _note_other_dates(frame: pd.DataFrame, rows: list[str], season: Season) -> list[Finding]:
    """Say which records lie before the calendar years of a season, and which after its last day."""
    dated = [(row, date) for row, date in zip(rows, frame["date"], strict=True) if date is not None]
    findings = []
    before = [row for row, date in dated if date < season.years[0]]
    if before:
        what = f"{show_count(len(before), 'record')} from before {show_date(season.years[0])}"
        done = "counted for the least time between two applications and for priorities, and in no yearly limit"
        findings.append(Finding("repair", "history", _shorten(before), what, done, "info"))
    after = [f"{row} ({show_date(date)})" for row, date in dated if date > season.last]
    if after:
        what = f"{show_count(len(after), 'record')} from after the season, which ends on {show_date(season.last)}"
        done = (
            "check the dates; counted for intervals, and in the limits of their calendar year where work stands in it"
        )
        findings.append(Finding("repair", "history", _shorten(after), what, done))
    return findings


def _read_actives(
    frame: pd.DataFrame, products: dict[str, Product], where: str, rows: list[str], faults: list[Fault]
) -> list[str]:
    """Return the active of each record (lower case): that of its product, or the one that it names."""
    own, found = actives.own_names(products.values()), []
    for row, product_id, written in zip(rows, frame["product_id"], read_words(frame, "active"), strict=True):
        named = actives.name_active(written, own) if written else None
        place = f'{row}, column "active"'
        if written and named is None:
            faults.append(Fault(where, place, f'"{written}", which is not known', actives.describe_unknown(written)))
        elif product_id in products:
            active = products[product_id].active
            if named is not None and named != (actives.name_active(active, own) or active):
                need = "leave the active out, or name the product that was used"
                faults.append(Fault(where, place, f'"{written}" for {product_id}, which is {active}', need))
            named = active
        elif named is None:
            need = "name a product of the catalog, or add a column active with the active ingredient"
            faults.append(Fault(where, f'{row}, column "product_id"', f'"{product_id}"', need))
        found.append((named or "").casefold())
    return found


def _read_dates(frame: pd.DataFrame, where: str, rows: list[str], faults: list[Fault]) -> list[dt.date | None]:
    dates: list[dt.date | None] = []
    for place, value in enumerate(frame["date"]):
        if isinstance(value, dt.date) and value == value:  # noqa: PLR0124  (NaT is a date that is not itself)
            dates.append(value.date() if isinstance(value, dt.datetime) else value)
            continue
        try:
            dates.append(dt.date.fromisoformat(str(value).strip()[:10].replace("/", "-")))
        except ValueError:
            need = 'write the date of the application as "2027-04-15"'
            faults.append(Fault(where, f'{rows[place]}, column "date"', _show(value), need))
            dates.append(None)
    return dates
