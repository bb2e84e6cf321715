"""The map library's files, out of an installed package: the one way by which other people's script enters a page.

See docs/decisions/0002: nothing of it is copied into this project, and a file whose hash is not the one that its
makers publish is refused.
"""

from __future__ import annotations

import base64
import hashlib
import importlib.metadata
import importlib.util
import re
from pathlib import Path

from greengap.errors import InputProblem

# Leaflet 1.9.4 as its makers publish it (subresource integrity hashes of its download page).
LIBRARY = "django-js-lib-leaflet"
LIBRARY_MODULE = "js_lib_leaflet"
LIBRARY_SHA256 = {
    "leaflet.js": "20nQCchB9co0qIjJZRGuk2/Z9VM+kNiyxNV1lvTlZBo=",
    "leaflet.css": "p4NxAoJBhIIN+hmNHrzRCf9tD/miZyoHS5obTRR9BMY=",
}


def _library_file(name: str) -> str:
    """A file of the map library, out of the installed package, after a look at its hash.

    Raises
    ------
    InputProblem
        If the package is missing, or the file is not the one that Leaflet 1.9.4 publishes.
    """
    remedy = f"Install it again with: python -m pip install --force-reinstall {LIBRARY}==1.9.4.1"
    spec = importlib.util.find_spec(LIBRARY_MODULE)  # finds it without running it, so without its framework
    if spec is None or spec.origin is None:
        raise InputProblem(LIBRARY, "", "the package that carries the map library is not installed", remedy)
    path = Path(spec.origin).parent / "static" / LIBRARY_MODULE / name
    content = path.read_bytes() if path.exists() else b""
    if base64.b64encode(hashlib.sha256(content).digest()).decode() != LIBRARY_SHA256[name]:
        raise InputProblem(LIBRARY, name, "is not the file that Leaflet 1.9.4 publishes", remedy)
    return content.decode("utf-8")


def library_script() -> str:
    """The map library with its licence, less the two places that point outside the page."""
    script = _library_file("leaflet.js").replace("//# sourceMappingURL=leaflet.js.map", "")
    script = script.replace('<a href="https://leafletjs.com"', "<a")
    licence = importlib.metadata.distribution(LIBRARY).read_text("LICENSE") or ""
    return f"/*! {licence.strip()} */\n{script.strip()}"


def library_style() -> str:
    """The map library's style sheet without comments and pictures: the page uses none of them."""
    style = re.sub(r"/\*.*?\*/", "", _library_file("leaflet.css"), flags=re.DOTALL)
    return re.sub(r"^.*url\([^)]*\).*$", "", style, flags=re.MULTILINE)
