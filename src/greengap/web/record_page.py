"""The record page: one HTML file with all of the field book inside, for a phone that is out of reach of the program."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from datetime import date
from pathlib import Path
from typing import Any

STATIC = Path(__file__).parent / "static"
SCRIPTS = (
    "dom.js", "record_entries.js", "record_due.js", "stand_reckoned.js", "stand_verdict.js", "record_forms.js",
    "record_count.js", "record_book.js", "record_page.js",
)  # fmt: skip
STYLES = ("record.css",)
WORDS = ("book_", "kind_", "rec_", "said_")  # beginnings of the texts that it shows
OTHER_WORDS = ("months", "close", "cancel")


def record_page_name(stem: str) -> str:
    """A file name that says which farm it is of.

    Examples
    --------
    >>> record_page_name("sample-farm")
    'record-page-sample-farm.html'
    """
    return f"record-page-{re.sub(r'[^A-Za-z0-9-]+', '-', stem).strip('-')[:60] or 'farm'}.html"


def record_page(book: dict[str, Any], made: date | None = None) -> str:
    """The page.

    Parameters
    ----------
    book : dict
        As `greengap.web.field_book.field_book` gives it.
    made : date, optional
        Day that stands on it; today if not given.

    Returns
    -------
    str
        HTML that asks nobody for anything.
    """
    words = json.loads((STATIC / "words" / "en.json").read_text(encoding="utf-8"))
    some = {k: v for k, v in words.items() if k.startswith(WORDS) or k in OTHER_WORDS}
    day = (made or date.today()).isoformat()
    script = "\n".join(_plain_script((STATIC / name).read_text(encoding="utf-8")) for name in SCRIPTS)
    style = "\n".join((STATIC / name).read_text(encoding="utf-8") for name in STYLES)
    policy = (
        f"default-src 'none'; script-src 'sha256-{_digest(script)}'; style-src 'sha256-{_digest(style)}'; img-src data:"
    )
    title = html.escape(f"Field book, {book['farm']}")
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<title>{title}</title>
<style>{style}</style>
</head>
<body class="alone">
<main id="work" class="book" tabindex="-1"></main>
<div id="said" role="status" aria-live="polite"></div>
<noscript>This page needs JavaScript, which is turned off here.</noscript>
<script type="application/json" id="book">{_data({**book, "made": day})}</script>
<script type="application/json" id="words">{_data(some)}</script>
<script type="module">{script}</script>
</body>
</html>
"""


def _plain_script(text: str) -> str:
    """A module as a part of one script: its imports are there already, and nothing is exported.

    Examples
    --------
    >>> _plain_script('import { a } from "./a.js";\\nexport const b = a;\\nexport function c() {}')
    'const b = a;\\nfunction c() {}'
    """
    text = re.sub(r"^import\s[^;]*?;\n", "", text, flags=re.MULTILINE)
    return re.sub(r"^export (?=const|let|function|class|async)", "", text, flags=re.MULTILINE)


def _data(value: Any) -> str:
    """JSON that cannot end the element that it stands in."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True, allow_nan=False).replace("<", "\\u003c")


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
