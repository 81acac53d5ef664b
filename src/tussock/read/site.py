"""In: the path of a site file. Out: a `Site`: layers, catalogs, choices as records, or one error with every fault."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from tussock.base import units as u
from tussock.base.columns import UnitSystem
from tussock.base.days import Season, SeasonWindow
from tussock.base.errors import Fault, InputError
from tussock.base.findings import Finding, findings_table
from tussock.base.records import Closure, Record, Ruleset, SeasonDates, Text, _as_tuple
from tussock.base.sources import find_inside, hash_file, is_inside
from tussock.base.stages import BACKGROUND, LAYER_NAMES, Document, Layer, LayerName, Site, SiteOptions
from tussock.base.text import show_dates, show_season, show_validity
from tussock.read import catalog as catalog_files
from tussock.read.approval import read_site_approval
from tussock.read.keys import build_record, read_toml
from tussock.read.layers import check_crs, read_layer, tell_outside
from tussock.read.terrain import TerrainSpec, read_terrain

Names = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]


class SiteHeader(Record):
    """``[site]``."""

    name: Text
    season: SeasonDates
    crs: Text = "auto"
    units: UnitSystem = "us"
    crs_area_tolerance: u.Share = 0.001
    sliver_area_m2: u.AreaM2 = Field(default=1.0, alias="sliver_area")
    cover_scheme: Text | None = None
    default_cover: Text | None = None
    accept_out_of_date: Names = ()
    hot_season: SeasonWindow | None = None
    map_background: Text | None = None
    public_map: bool = False
    approval: Text | None = None


class LayerSpec(Record):
    """``[layers.X]``."""

    path: Text
    layer: Text | None = None
    columns: dict[str, Text] = Field(default_factory=dict)
    accuracy_m: u.LengthM | None = Field(default=None, alias="accuracy")
    datum: Text | None = None
    default_width_m: dict[str, u.PositiveLengthM] = Field(default_factory=dict, alias="default_width")
    zero_width: Literal["unknown", "none"] = "unknown"


class LayersSpec(Record):
    """``[layers]``."""

    infestations: LayerSpec
    water: LayerSpec
    receptors: LayerSpec | None = None
    access: LayerSpec | None = None
    history: LayerSpec | None = None
    stems: LayerSpec | None = None
    terrain: TerrainSpec | None = None


class CatalogSpec(Record):
    """``[catalog]``."""

    rules: Names = ()
    products: Names = ()
    treatments: Names | None = None
    operations: Names = ()


class SiteFile(Record):
    """The whole site file."""

    site: SiteHeader
    layers: LayersSpec
    catalog: CatalogSpec = CatalogSpec()
    closure: tuple[Closure, ...] = ()


def read_site(path: str | Path, *, allow_outside: bool = False) -> Site:
    """Read a site file and everything that it names.

    Parameters
    ----------
    path
        Site file (TOML); paths in it are relative to its folder.
    allow_outside
        Whether layers, the elevation model and the map background may lie outside that folder: say yes only to a site
        file that you trust. Catalogs, which are text that is checked key by key, may lie anywhere.

    Returns
    -------
    Site
        Layers in their own CRS under our column names, catalogs as records.

    Raises
    ------
    InputError
        With every fault found: missing files and layers, files outside the folder or in formats that are not read,
        unknown keys, quantities that are none, unknown products,
        layers without a CRS (`CrsError`), rule sets outside their dates.
    """
    path = Path(path)
    data, text = read_toml(path, path.name)
    spec = build_record(SiteFile, data, path.name, text)
    folder = path.parent
    rulesets, products, treatments, operations, documents = _read_catalog(spec.catalog, folder)
    layers, layer_documents, layer_findings = _read_layers(spec.layers, folder, allow_outside)
    terrain, terrain_documents, terrain_findings = read_terrain(
        spec.layers.terrain, folder, layers, allow_outside=allow_outside
    )
    background, background_findings = _read_background(spec.site.map_background, folder, allow_outside)
    header = spec.site
    season = header.season.season()
    findings = layer_findings + terrain_findings + background_findings
    findings += _check_dates(rulesets, season, header.accept_out_of_date, path.name)
    options = SiteOptions(
        crs=header.crs,
        units=header.units,
        crs_area_tolerance=header.crs_area_tolerance,
        sliver_area_m2=header.sliver_area_m2,
        cover_scheme=header.cover_scheme,
        default_cover=header.default_cover,
        accept_out_of_date=header.accept_out_of_date,
        hot_season=header.hot_season,
        closures=spec.closure,
        map_background=header.map_background,
        public_map=header.public_map,
    )
    approval, approval_documents, approval_findings = read_site_approval(header.approval, folder, path.name)
    site_document = catalog_files._document("site", path.name, text, data)
    return Site(
        name=header.name,
        season=season,
        options=options,
        path=path,
        layers=layers,
        rulesets=tuple(rulesets),
        products=products,
        treatments=None if treatments is None else tuple(treatments),
        operations=operations,
        documents=(
            site_document,
            *layer_documents,
            *terrain_documents,
            *documents,
            *approval_documents,
            *background,
        ),
        findings=findings_table([*findings, *approval_findings]),
        approval=approval,
        terrain=terrain,
    )


def _read_background(name: str | None, folder: Path, allow_outside: bool) -> tuple[list[Document], list[Finding]]:
    """Return the document of the file to show under the map, where the site file names one."""
    if name is None:
        return [], []
    path = find_inside(folder, name, "site.map_background", allow_outside=allow_outside)
    if path.suffix.casefold() not in (".tif", ".tiff", ".mbtiles"):
        need = "name a GeoTIFF or MBTiles file, or leave the key out"
        raise InputError(Fault(name, "site.map_background", f'a file "{path.suffix}"', need))
    document = Document(BACKGROUND, name, hash_file(path))
    return [document], [] if is_inside(path, folder) else [tell_outside(BACKGROUND, path)]


def _read_catalog(spec: CatalogSpec, folder: Path) -> tuple[Any, ...]:
    faults = catalog_files.missing_files(spec.rules, folder, "rules")
    faults += catalog_files.missing_files(spec.products, folder, "products")
    faults += catalog_files.missing_files(spec.treatments or (), folder, "treatments")
    faults += catalog_files.missing_files(spec.operations, folder, "operations")
    catalog_files.raise_missing(faults)
    collected: list[Fault] = []

    def attempt(read: Any, *arguments: Any) -> Any:
        try:
            return read(*arguments)
        except InputError as error:
            collected.extend(error.faults)
            return None

    rules = attempt(catalog_files.read_rulesets, spec.rules, folder)
    products = attempt(catalog_files.read_products, spec.products, folder)
    treatments: Any = ([], [])
    if spec.treatments is not None and products is not None:
        treatments = attempt(catalog_files.read_treatments, spec.treatments, folder, products[0])
    if rules is not None and products is not None:
        rules = attempt(catalog_files.settle_rules, *rules, products[0]), rules[1]
    operations = attempt(catalog_files.read_operations, spec.operations, folder)
    if collected:
        raise InputError(collected)
    documents = [*rules[1], *products[1], *treatments[1], *operations[1]]
    return rules[0], products[0], None if spec.treatments is None else treatments[0], operations[0], documents


def _read_layers(
    spec: LayersSpec, folder: Path, allow_outside: bool
) -> tuple[dict[LayerName, Layer], list[Document], list[Finding]]:
    layers: dict[LayerName, Layer] = {}
    documents, errors = [], []
    findings: list[Finding] = []
    for name in LAYER_NAMES:
        layer_spec = getattr(spec, name)
        if layer_spec is None:
            continue
        try:
            layers[name], document, found = read_layer(name, layer_spec, folder, allow_outside=allow_outside)
            documents.append(document)
            findings += found
        except InputError as error:
            errors.append(error)
    if errors:
        faults = [fault for error in errors for fault in error.faults]
        raise type(errors[0])(faults) if len(errors) == 1 else InputError(faults)
    check_crs(layers)
    return layers, documents, findings


def _check_dates(rulesets: list[Ruleset], season: Season, accepted: tuple[str, ...], where: str) -> list[Finding]:
    """Refuse a rule set whose dates miss the season; say so where they cover a part, and where a set is a draft."""
    findings, faults = [], []
    named = show_season(season)
    for ruleset in rulesets:
        header = ruleset.ruleset
        title, dates = header.title, show_validity(header.valid_from, header.valid_to)
        first, last = header.valid_from or season.first, header.valid_to or season.last
        accept = f'accept_out_of_date = ["{title}"]'
        if last < season.first or first > season.last:
            if title in accepted:
                done = f"used all the same: accept_out_of_date names it (valid {dates})"
                findings.append(Finding("read", "rules", title, f"not valid in {named}", done))
            else:
                need = f"load a set for {named}, or accept this one by name: {accept}"
                faults.append(Fault(where, f'rule set "{title}"', f"valid {dates}, season {named}", need))
        elif first > season.first or last < season.last:
            covered = show_dates(max(first, season.first), min(last, season.last))
            done = (
                f"outside {covered} no herbicide is planned, nor other work that it forbids anywhere; {accept} opens it"
            )
            if title in accepted:
                done = "used for the whole season: accept_out_of_date names it; check the part outside its dates"
            findings.append(Finding("read", "rules", title, f"valid {dates}, not all of season {named}", done))
        if header.status == "draft":
            done = "it can refuse, but no unit passes as checked by it"
            findings.append(Finding("read", "rules", title, "a draft rule set", done))
    if faults:
        raise InputError(faults)
    return findings
