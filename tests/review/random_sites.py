"""Random sites anywhere on Earth: ponds, streams, receptors, earlier work, patches of every growth form, rules. All invented."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from site_factory import PRODUCTS, Sites

FOOT_M = 0.3048

MORE_PRODUCTS = """
[[product]]
id = "imazapyr-injected"
active = "imazapyr"
form = "salt"
strength = "2 lb/gal"
aquatic_label = true
methods = { stem_injection = ["50 %", "100 %"] }
limit_per_year = "1.5 lb/acre"
limit_stems_per_year = "150/acre"
max_applications_per_year = 2
min_interval = "60 day"
season = ["05-01", "12-31"]
source = "invented for tests"

[[product]]
id = "clopyralid-upland"
active = "clopyralid"
form = "salt"
strength = "3 lb/gal"
aquatic_label = false
soil_active = true
methods = { foliar_spot = ["0.25 %", "2 %"] }
limit_per_application = "0.3 lb/acre"
limit_per_year = "0.5 lb/acre"
heat_limit = "85 F"
source = "invented for tests"
"""

TREATMENTS = """
[[treatment]]
id = "upland-boom"
growth_form = ["herbaceous"]
method = "boom"
product = "glyphosate-upland"
concentration = "3 %"
spray_volume = "20 gal/acre"
dye = "0.25 %"
season = ["06-01", "09-30"]
equipment = "tank"
preference = 1
source = "invented for tests"

[[treatment]]
id = "ester-spot"
growth_form = ["herbaceous", "vine"]
method = "foliar_spot"
product = "triclopyr-ester"
concentration = "2 %"
spray_volume = "30 gal/acre"
carrier = "water"
season = ["04-01", "06-15"]
equipment = "backpack"
preference = 2
source = "invented for tests"

[[treatment]]
id = "aquatic-spot"
growth_form = ["herbaceous", "vine", "shrub"]
method = "foliar_spot"
product = "triclopyr-amine-aquatic"
concentration = "3 %"
spray_volume = "40 gal/acre"
adjuvant = "0.5 %"
season = ["05-01", "10-15"]
equipment = "backpack"
preference = 4
source = "invented for tests"

[[treatment]]
id = "imazapyr-stream"
growth_form = ["herbaceous"]
method = "low_volume_stream"
product = "imazapyr-aquatic"
concentration = "10 %"
spray_volume = "5 gal/acre"
flow = "700 mL/min"
season = ["07-15", "09-30"]
preference = 3
source = "invented for tests"

[[treatment]]
id = "wick"
growth_form = ["herbaceous"]
method = "wick"
product = "glyphosate-aquatic"
concentration = "1:2"
spray_volume = "2 gal/acre"
season = ["10-01", "03-31"]
preference = 6
source = "invented for tests"

[[treatment]]
id = "basal"
growth_form = ["shrub", "tree"]
method = "basal_bark"
product = "triclopyr-ester"
carrier = "oil"
concentration = "25 %"
band_height = "12 in"
dose_per_bark_area = "0.2 L/m2"
season = ["10-15", "03-15"]
preference = 2
source = "invented for tests"

[[treatment]]
id = "injection"
growth_form = ["tree", "shrub"]
method = "stem_injection"
product = "glyphosate-aquatic"
concentration = "100 %"
dose_per_cut = "1 mL"
cut_per_diameter = "3 in"
preference = 3
source = "invented for tests"

[[treatment]]
id = "stump"
growth_form = ["tree", "shrub", "vine"]
method = "cut_stump"
product = "triclopyr-amine-aquatic"
concentration = "50 %"
ring_width = "1 in"
dose_per_ring_area = "1.5 L/m2"
season = ["09-15", "02-28"]
equipment = "backpack"
preference = 5
source = "invented for tests"

[[treatment]]
id = "tank-mix"
growth_form = ["herbaceous", "vine"]
method = "foliar_spot"
product = "clopyralid-upland"
concentration = "0.3 %"
tank_mix = [{ product = "triclopyr-amine-aquatic", concentration = "1.5 %" }]
spray_volume = "25 gal/acre"
dye = "0.25 %"
season = ["05-01", "09-30"]
equipment = "backpack"
preference = 2
source = "invented for tests"

[[treatment]]
id = "up-to-the-limit"
growth_form = ["herbaceous", "vine", "shrub"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "4 %"
spray_volume = "90 gal/acre"
up_to_limit = true
season = ["07-01", "10-31"]
windows = { flowering = ["07-15", "09-15"] }
preference = 5
source = "invented for tests"

[[treatment]]
id = "limited-injection"
growth_form = ["tree"]
method = "stem_injection"
product = "imazapyr-injected"
concentration = "50 %"
dose_per_cut = "1 mL"
cut_spacing = "4 in"
stem_diameter = ["2 in", "9 in"]
preference = 1
source = "invented for tests"

[[treatment]]
id = "pull"
growth_form = ["herbaceous", "vine"]
method = "pull"
season = ["04-15", "06-15"]
preference = 80
source = "invented for tests"
"""

OPERATIONS = """
[crew]
size = 3
wage = "30 USD/hour"
setup_time = "15 min"
source = "invented for tests"

[[equipment]]
id = "tank"
capacity = "50 gal"
flow = "2 gal/min"
refill_time = "20 min"
cost = "40 USD/hour"
source = "invented for tests"

[[equipment]]
id = "backpack"
capacity = "4 gal"
flow = "0.4 gal/min"
refill_time = "10 min"
source = "invented for tests"

[[production]]
method = "boom"
rate = "3 acre/hour"
source = "invented for tests"

[[production]]
method = "foliar_spot"
equipment = "backpack"
rate = "0.25 acre/hour"
source = "invented for tests"

[[production]]
method = "stem_injection"
stems = "60/hour"
source = "invented for tests"

[[price]]
product = "glyphosate-aquatic"
price = "40 USD/gal"
source = "invented for tests"
"""

TIME = """
[time]
travel = "30 min"
search = "2 acre/hour"
source = "invented for tests"

[[price]]
product = "dye"
price = "60 USD/gal"
source = "invented for tests"
"""

CLOSURES = """
[[closure]]
id = "nesting"
season = ["04-15", "07-20"]
reason = "ground-nesting birds"
unless_surveyed = {surveyed}
source = "invented for tests"
"""

FORBIDS = (
    "{}",
    "{ aquatic_label = false }",
    '{ delivery = ["broadcast", "spot"] }',
    '{ delivery = "broadcast" }',
    '{ form = "ester" }',
    '{ active = ["imazapyr"] }',
    "{ soil_active = true }",
    '{ method = "foliar_spot", aquatic_label = true }',
    '{ delivery = ["hand", "none"] }',
    '{ method = ["pull", "dig"] }',
    '{ work = "all" }',
)
SOURCES = (
    '{ layer = "water" }',
    '{ layer = "water", state = "wet" }',
    '{ layer = "water", state = "dry" }',
    '{ layer = "water", kind = ["pond", "lake"], state = "wet" }',
    '{ layer = "water", kind = ["stream", "ditch"] }',
    '{ layer = "receptors", kind = "well" }',
    '{ layer = "receptors", kind = ["rare plant", "organic field"] }',
    '{ layer = "receptors" }',
)
SEASONS = (["05-15", "08-15"], ["09-01", "06-10"], ["11-01", "02-29"])


class RandomSite:
    """Draws one site in metres around a place, and writes it in a CRS that a mapper could have used."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.lon = float(self.rng.uniform(-179.0, 179.0))
        self.lat = float(self.rng.uniform(-70.0, 70.0))
        self.local = pyproj.CRS.from_proj4(f"+proj=aeqd +lat_0={self.lat} +lon_0={self.lon} +datum=WGS84 +units=m")
        zone = int((self.lon + 180) // 6) + 1
        choices = (
            pyproj.CRS.from_epsg((32600 if self.lat >= 0 else 32700) + zone),
            pyproj.CRS.from_epsg(4326),
            pyproj.CRS.from_epsg(3857),
            pyproj.CRS.from_proj4(f"+proj=laea +lat_0={self.lat:.1f} +lon_0={self.lon:.1f} +datum=WGS84 +units=us-ft"),
        )
        self.crs = choices[int(self.rng.integers(len(choices)))]

    def star(self, radius_m: float, near: float = 250.0) -> Any:
        """A star-shaped outline somewhere within reach of the middle."""
        count = int(self.rng.integers(5, 30))
        angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
        radius = radius_m * self.rng.uniform(0.5, 1.0, count)
        x, y = self.rng.uniform(-near, near, 2)
        return shapely.Polygon(np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)]))

    def line(self) -> Any:
        """A wandering line across the site."""
        count = int(self.rng.integers(3, 20))
        along = np.linspace(-350, 350, count)
        across = np.cumsum(self.rng.normal(0, 25, count)) + self.rng.uniform(-200, 200)
        pairs = np.column_stack([along, across])
        return shapely.LineString(pairs if self.rng.random() < 0.5 else pairs[:, ::-1])

    def rows(self, shapes: list[Any], **columns: list[Any]) -> list[dict[str, Any]]:
        """Rows of a layer, moved into its CRS."""
        to_crs = pyproj.Transformer.from_crs(self.local, self.crs, always_xy=True)

        def move(xy: Any) -> Any:
            return np.column_stack(to_crs.transform(xy[:, 0], xy[:, 1]))

        moved = shapely.transform(np.array(shapes, dtype=object), move)
        return [
            {"geometry": shape} | {name: values[place] for name, values in columns.items()}
            for place, shape in enumerate(moved)
        ]

    def pick(self, options: Any, count: int) -> list[Any]:
        """Some of several options, any of them more than once."""
        return [options[int(place)] for place in self.rng.integers(0, len(options), count)]

    def patches(self) -> list[dict[str, Any]]:
        """Patches of every growth form; some lie on the ground of another."""
        count = int(self.rng.integers(4, 9))
        shapes = [self.star(float(self.rng.uniform(8, 60))) for _ in range(count)]
        if self.rng.random() < 0.5:
            shapes[1] = shapely.affinity.translate(shapes[0], *self.rng.uniform(-15, 15, 2))
        if self.rng.random() < 0.3:
            shapes[2] = shapely.MultiPolygon([shapes[2], shapely.affinity.translate(shapes[2], 140, 0)])
        forms = self.pick(("herbaceous", "vine", "shrub", "tree"), count)
        species = [f"plant {form} {self.rng.integers(2)}" for form in forms]
        if self.rng.random() < 0.4:
            forms[1], species[1] = forms[0], species[0]
        woody = [form in ("shrub", "tree") for form in forms]
        stems = self.rng.integers(5, 900, count)
        return self.rows(
            shapes,
            patch_id=[f"P{number}" for number in range(count)],
            species=species,
            growth_form=forms,
            cover_pct=self.pick(("35", "80%", "5-25", "100", None), count),
            stem_count=[float(one) if wood else None for one, wood in zip(stems, woody, strict=True)],
            stem_diameter_in=[float(self.rng.integers(1, 12)) if wood else None for wood in woody],
        )

    def water(self) -> list[dict[str, Any]]:
        """Ponds, wetlands, streams and ditches; states and widths of some are not mapped."""
        areas = [self.star(float(self.rng.uniform(10, 120))) for _ in range(int(self.rng.integers(1, 5)))]
        lines = [self.line() for _ in range(int(self.rng.integers(0, 4)))]
        kinds = self.pick(("pond", "lake", "wetland", ""), len(areas)) + self.pick(("stream", "ditch"), len(lines))
        width = [None] * len(areas) + self.pick((6.0, 20.0, None), len(lines))
        return self.rows(
            areas + lines,
            kind=kinds,
            name=[f"water {number}" for number in range(len(kinds))],
            state=self.pick(("wet", "wet", "dry", None), len(kinds)),
            width_ft=width,
        )

    def receptors(self) -> list[dict[str, Any]]:
        """Wells, trees with their height, rare plants, fields."""
        points = [shapely.Point(self.rng.uniform(-300, 300, 2)) for _ in range(int(self.rng.integers(1, 9)))]
        areas = [self.star(float(self.rng.uniform(5, 40)), 300) for _ in range(int(self.rng.integers(0, 3)))]
        kinds = self.pick(("well", "tree"), len(points)) + self.pick(("rare plant", "organic field"), len(areas))
        return self.rows(
            points + areas,
            kind=kinds,
            name=[f"receptor {number}" for number in range(len(kinds))],
            height_ft=[float(self.rng.integers(10, 90)) for _ in kinds],
        )

    def history(self) -> list[dict[str, Any]]:
        """Earlier applications of the year and of another one."""
        count = int(self.rng.integers(0, 3))
        return self.rows(
            [self.star(float(self.rng.uniform(20, 90))) for _ in range(count)],
            product_id=self.pick(("glyphosate-aquatic", "triclopyr-amine-aquatic", "imazapyr-aquatic"), count),
            ae_lb_per_acre=[float(self.rng.integers(1, 9)) / 2 for _ in range(count)],
            date=self.pick(("2027-04-10", "2026-05-01"), count),
        )

    def access(self) -> list[dict[str, Any]] | None:
        """Roads, gates, staging areas, and places to stand and throw from."""
        if self.rng.random() < 0.3:
            return None
        shapes = [shapely.Point(self.rng.uniform(-300, 300, 2)) for _ in range(int(self.rng.integers(1, 6)))]
        shapes += [self.line() for _ in range(int(self.rng.integers(0, 2)))]
        shapes += [self.star(12.0, 300) for _ in range(int(self.rng.integers(0, 2)))]
        kinds = [
            self.pick(("road", "gate", "parking", "staging", "boardwalk", "dock", "trailhead"), 1)[0] for _ in shapes
        ]
        if self.rng.random() < 0.5:
            kinds = [kind if kind not in ("boardwalk", "dock", "staging") else "parking" for kind in kinds]
        return self.rows(shapes, kind=kinds, name=[f"place {number}" for number in range(len(shapes))])

    def stems(self, folder: Path, patches: list[dict[str, Any]]) -> str:
        """A stem table, or stems as points; returns what the site file says of it."""
        woody = [row for row in patches if row["growth_form"] in ("shrub", "tree")]
        choice = self.rng.random()
        if choice < 0.5 or not woody:
            return ""
        if choice < 0.75:
            lines = ["patch_id,stem_diameter_in,stem_count,stems_per_acre"]
            for row in woody[: int(self.rng.integers(1, 4))]:
                for size in self.rng.integers(1, 14, int(self.rng.integers(1, 4))):
                    counted = self.rng.random() < 0.5
                    number = int(self.rng.integers(1, 300))
                    lines.append(f"{row['patch_id']},{size},{number if counted else ''},{'' if counted else number}")
            (folder / "stems.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
            return '\n[layers.stems]\npath = "stems.csv"\n'
        outline = woody[0]["geometry"]
        west, south, east, north = outline.bounds
        xy = self.rng.uniform((west, south), (east, north), (60, 2))
        points = [point for point in shapely.points(xy) if outline.contains(point)]
        rows = [{"geometry": point, "stem_diameter_in": float(self.rng.integers(1, 12))} for point in points]
        gpd.GeoDataFrame(rows, geometry="geometry", crs=self.crs).to_file(folder / "stems.gpkg", layer="stems")
        return '\n[layers.stems]\npath = "stems.gpkg"\n'

    def rules(self) -> str:
        """A rule set with a handful of setbacks of every kind."""
        text = [
            f'[ruleset]\ntitle = "rules {self.rng.integers(1000)}"\nauthority = "nobody"\nsource = "invented for tests"\n'
            f'read_by = "nobody"\nstatus = "{"draft" if self.rng.random() < 0.1 else "checked"}"\n'
        ]
        for number in range(int(self.rng.integers(2, 9))):
            distance: Any = self.pick((0, 15, 25, 50, 100, 150), 1)[0]
            place = int(self.rng.integers(len(SOURCES)))
            lines = [f'id = "R{number}"', f"from = {SOURCES[place]}", f'distance = "{distance} ft"']
            if place == len(SOURCES) - 1 and self.rng.random() < 0.6:
                lines[2] = 'distance = { column = "height_ft", times = 1.5 }'
            if self.rng.random() < 0.08:
                lines[1:] = ['distance = "anywhere"']
            effect = self.rng.random()
            lines.append(
                f"forbids = {self.pick(FORBIDS, 1)[0]}"
                if effect < 0.7
                else 'permit = "an office"'
                if effect < 0.75
                else 'permit = "an office"\napplies_to = { work = "all" }'
                if effect < 0.8
                else 'notify = "a neighbour"'
                if effect < 0.9
                else "no_mixing = true"
            )
            if self.rng.random() < 0.25:
                lines.append(f"season = {self.pick(SEASONS, 1)[0]}")
            if effect < 0.7 and self.rng.random() < 0.15:
                lines.append("unless_surveyed = true")
            if self.rng.random() < 0.2:
                lines.append('conditions = ["wind at most 5 mph"]')
            text.append("[[setback]]\n" + "\n".join(lines) + '\nsource = "invented for tests"\n')
        return "\n".join(text)

    def write(self, folder: Path) -> Path:
        """Write the site; returns the site file."""
        accuracy = self.pick(("", 'accuracy = "1 m"', 'accuracy = "3 m"'), 3)
        header = f'units = "{"metric" if self.rng.random() < 0.3 else "us"}"\n'
        header += 'hot_season = ["07-10", "08-10"]\n' if self.rng.random() < 0.3 else ""
        surveyed = str(self.rng.random() < 0.5).lower()
        header += CLOSURES.format(surveyed=surveyed) if self.rng.random() < 0.3 else ""
        operations = OPERATIONS + (TIME if self.rng.random() < 0.5 else "")
        patches = self.patches()
        path = Sites(folder).write(
            patches,
            water=self.water() if self.rng.random() < 0.93 else [],
            receptors=self.receptors() if self.rng.random() < 0.9 else None,
            history=self.history() or None,
            rules=self.rules(),
            products=PRODUCTS + MORE_PRODUCTS,
            treatments=TREATMENTS,
            operations=operations if self.rng.random() < 0.8 else None,
            crs=self.crs,
            site=header,
            layer_lines=dict(zip(("infestations", "water", "receptors"), accuracy, strict=True)),
            access=self.access(),
        )
        stems = self.stems(folder, patches)
        with path.open("a", encoding="utf-8") as file:
            file.write(stems)
        return path


def deliver_quickly(plan: Any, folder: Path) -> Path:
    """Write the GeoPackage, the CSV files and run.json of a plan, and leave out what takes time: map, PDF, workbook."""
    from tussock.deliver import geopackage, proposal, records, runfile, tables

    folder.mkdir()
    geopackage.write_geopackage(plan, folder / "plan.gpkg")
    tables.write_tables(plan, folder)
    if plan.site.treatments is not None:
        proposal.write_proposal(plan, folder / "proposal.csv")
        records.write_record(plan, folder / "record.csv")
    pages = ("map.html", "compliance.html", "compliance.csv", "charts.html")
    papers = ("plan.xlsx", "crew_sheets.pdf", "compliance.pdf", "proposal.pdf", "record.pdf")
    left_out = dict.fromkeys((*pages, *papers), "for speed")
    runfile.write_run_file(plan, folder / "run.json", left_out)
    return folder
