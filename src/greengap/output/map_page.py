"""The map page around its payload: folium's map, with everything it needs written into the file.

The map library's files come from an installed package (docs/decisions/0002), ``map_page.js`` and
``map_page.css`` from beside this file.
"""

from __future__ import annotations

import html
import json
from pathlib import Path
from typing import Any

import folium
from branca.element import Element, Figure, MacroElement
from folium.template import Template

from greengap.output.map_library import library_script, library_style

HERE = Path(__file__).parent


def _json_in_page(payload: dict[str, Any]) -> str:
    """JSON that no name in it can end early: a browser looks for the closing tag before it reads the JSON."""
    text = json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


class _Verbatim(Element):
    """Text that goes into the page as it is; a plain Element would read it as a template."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **kwargs: Any) -> str:
        return self.text


class _Page(Figure):
    """The page around the map: nothing is loaded from anywhere, and the browser is told to hold us to it."""

    _template = Template(
        """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{{ this.policy }}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ this.title }}</title>
{{ this.header.render(**kwargs) }}
</head>
<body>
{{ this.html.render(**kwargs) }}
<script>
{{ this.script.render(**kwargs) }}
</script>
</body>
</html>
"""
    )

    def __init__(self, title: str, pictures: str) -> None:
        super().__init__()
        self.title = html.escape(title)
        self.header._children.clear()  # its meta line is in the template
        self.policy = (
            "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
            f"img-src {pictures}; base-uri 'none'; form-action 'none'"
        )


class _SheetMap(folium.Map):
    """A map inside the frame of our page, without the remote files of the default."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012 (the base class declares it so)
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = Template(
        """
{% macro html(this, kwargs) %}
<a class="skip" href="#panel">Skip the map, go to the list of blocks</a>
<header class="head">
  <div class="title"><h1 id="farm"></h1><p id="basis"></p></div>
  <form class="choices" aria-label="What the map shows">
    <label>Gaps <select id="period-choice"></select></label>
    <label>Show <select id="layer-choice"></select></label>
  </form>
  <p id="note" hidden></p>
</header>
<main class="sheet">
  <section class="plate" aria-label="Map of the farm">
    <div class="folium-map" id="{{ this.get_name() }}"></div>
    <div id="legend" aria-label="Legend"></div>
  </section>
  <aside id="panel" tabindex="-1" aria-label="Blocks and what to sow"></aside>
</main>
<noscript>This page needs JavaScript, which is turned off. The same plan stands in the files beside it.</noscript>
{% endmacro %}
{% macro script(this, kwargs) %}
const {{ this.get_name() }} = L.map("{{ this.get_name() }}", {{ this.options|tojavascript }});
{% endmacro %}
"""
    )


class _PlanLayer(MacroElement):
    """Blocks, labels, legend and panel, drawn by ``map_page.js`` from the JSON in the page."""

    _template = Template(
        "{% macro script(this, kwargs) %}greengapPage({{ this._parent.get_name() }}, "
        "{{ 'true' if this.base_map else 'false' }});{% endmacro %}"
    )

    def __init__(self, base_map: bool) -> None:
        super().__init__()
        self._name, self.base_map = "PlanLayer", base_map


def map_page(payload: dict[str, Any], base_map: bool = False) -> str:
    """The HTML of the map page.

    Parameters
    ----------
    payload : dict
        From `greengap.output.map.map_payload`.
    base_map : bool
        Lay street map tiles underneath.

    Returns
    -------
    str
        The same payload gives the same text. Refers to nothing outside itself unless `base_map` is set.

    Raises
    ------
    InputProblem
        If the installed package with the map library is missing or altered.
    """
    page = _Page(
        f"{payload['farm']}: what to sow in the gaps",
        "data: https://tile.openstreetmap.org" if base_map else "data:",
    )
    places = [feature["properties"]["label"] for feature in payload["blocks"]["features"]]
    sheet = _SheetMap(
        location=places[0] if places else None,  # the script then fits the whole farm
        tiles=None,
        zoom_start=15,
        max_zoom=19 if base_map else 22,
        zoom_snap=0.1,
        zoom_delta=0.5,
        attribution_control=base_map,
    )
    sheet.add_to(page)
    if base_map:
        folium.TileLayer("OpenStreetMap", max_zoom=19).add_to(sheet)
    _PlanLayer(base_map).add_to(sheet)
    # Names of elements are drawn at random; fixed ones make the same plan the same bytes.
    for element in (sheet, *sheet._children.values()):
        element._id = "greengap"
    for text in (library_style(), (HERE / "map_page.css").read_text(encoding="utf-8")):
        _Verbatim(f"<style>\n{text}\n</style>\n").add_to(page.header)
    _Verbatim(f"<script>\n{library_script()}\n</script>\n").add_to(page.header)
    data = _json_in_page(payload)
    _Verbatim(f'<script type="application/json" id="greengap-plan">{data}</script>\n').add_to(page.html)
    _Verbatim((HERE / "map_page.js").read_text(encoding="utf-8")).add_to(page.script)
    return page.render()
