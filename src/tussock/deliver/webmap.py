"""In: a plan. Out: its map as one page that needs no network: a `folium.Map` for notebooks, or a file.

How data reaches the page. The map library compiles the text of its elements as templates inside our own process, so
that a plant's name could run as code. Nothing that comes from data is therefore ever given to one of its elements:

* the layers stand in one JSON block (`webmap_assets.embed_json`), which our own scripts draw on the `folium.Map`; they
  put text into the page as text nodes only;
* title, legend and cautions are written by a template of ours, each value through `tussock.deliver.escape.escape_html`;
* both are inserted into the page by `PlanPage`, whose result is not compiled again.

The map library's own scripts and styles are taken from a registry package and inlined; its addresses are dropped.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import folium
import jinja2
from branca.element import Figure
from folium.template import Template
from markupsafe import Markup

from tussock.base.stages import PlanTables
from tussock.deliver.escape import escape_html
from tussock.deliver.webmap_assets import embed_json, read_asset, read_library, read_scripts
from tussock.deliver.webmap_facts import gather_facts
from tussock.deliver.webmap_layers import gather_data
from tussock.deliver.webmap_public import withhold

#: A fixed name in place of a random one: the same plan gives the same bytes.
_ID: Final = "plan"
_NEAREST_ZOOM: Final = 23


class PlanPage(Figure):  # type: ignore[misc]  # the library has no types
    """The page around the map. Its template is ours and escapes its values; what it writes is not compiled again."""

    def __init__(self, facts: dict[str, Any], data: str, map_name: str) -> None:
        super().__init__(height="640px")
        self._id = _ID
        self.facts = facts
        self.data = data
        self.map_name = map_name
        self.sealed = False
        self.library_style, self.library_script = read_library()
        self.style = read_asset("map.css")
        self.scripts = read_scripts()

    def render(self, **kwargs: Any) -> str:
        """Return the page as HTML."""
        for child in self._children.values():
            child.render(**kwargs)
        return _page_template().render(this=self, facts=self.facts, kwargs=kwargs)


class PlanMap(folium.Map):  # type: ignore[misc]  # the library has no types
    """A `folium.Map` with nothing to fetch. Layers of folium's own can be added to it, as to any other.

    The plan's layers belong to the page around it (`PlanPage`): show or save this map itself, not in another figure.
    """

    default_js: Final[list[tuple[str, str]]] = []
    default_css: Final[list[tuple[str, str]]] = []
    _template = Template(
        """
        {% macro html(this, kwargs) %}
        <div class="folium-map" id={{ this.get_name()|tojson }} role="region" aria-label="Map of the treatment units"
             aria-describedby="map-help"></div>
        {% endmacro %}
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.map(
            {{ this.get_name()|tojson }},
            { center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }}, ...{{ this.options|tojavascript }} }
        );
        {% endmacro %}
        """
    )

    def __init__(self, centre: tuple[float, float]) -> None:
        super().__init__(
            location=list(centre),
            tiles=None,
            zoom_start=14,
            prefer_canvas=True,
            attribution_control=False,
            zoom_snap=0.25,
            fade_animation=False,
        )
        self._id = _ID
        self.options["max_zoom"] = _NEAREST_ZOOM


def draw_map(plan: PlanTables, *, public: bool = False, base: Path | None = None) -> folium.Map:
    """Draw the map of a plan.

    Parameters
    ----------
    plan
        What `tussock.make_plan` returned.
    public
        Leave out protected receptors (rare plants and the like), their setback zones, and every detail that would tell
        where they are.
    base
        GeoTIFF or MBTiles file of your own to see the ground on; its part on the site is inlined. Plain without.

    Returns
    -------
    folium.Map
        Shows itself in a notebook, takes further folium layers, and is saved by its ``save``.

    Raises
    ------
    InputError
        The background cannot be read, does not lie on the site, or is too large to inline.
    MissingExtraError
        A GeoTIFF without the package rasterio.
    """
    shown = withhold(plan) if public else plan
    data = gather_data(shown, public=public, base=base)
    bounds = data["bounds"] or [[0.0, 0.0], [0.0, 0.0]]
    drawn = PlanMap(((bounds[0][0] + bounds[1][0]) / 2, (bounds[0][1] + bounds[1][1]) / 2))
    page = PlanPage(gather_facts(shown, data, public=public), embed_json(data), drawn.get_name())
    page.add_child(drawn)
    return drawn


def write_map(plan: PlanTables, path: Path, *, public: bool = False, base: Path | None = None) -> None:
    """Write the map of a plan as one file that fetches nothing; the page itself forbids it to.

    Parameters
    ----------
    plan
        What `tussock.make_plan` returned.
    path
        File to write; one that is there is replaced.
    public, base
        As in `draw_map`, which also says what is raised.
    """
    page = draw_map(plan, public=public, base=base).get_root()
    page.sealed = True
    path.write_text(page.render(), encoding="utf-8", newline="\n")


@lru_cache(maxsize=1)
def _page_template() -> jinja2.Template:
    def escape(value: Any) -> Any:
        return value if isinstance(value, Markup) else escape_html(value)

    environment = jinja2.Environment(finalize=escape, autoescape=False, undefined=jinja2.StrictUndefined)  # noqa: S701  (finalize escapes every value, by our own stricter rule)
    environment.filters["trusted"] = Markup
    return environment.from_string(read_asset("map_page.html"))
