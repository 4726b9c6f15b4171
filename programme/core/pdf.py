"""Papers: a page set on A4 in the look of the pages. Nothing is fetched from anywhere while it is made."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

from django.contrib.staticfiles import finders

if TYPE_CHECKING:
    from weasyprint import CSS
    from weasyprint.urls import URLFetcher

# The printer styles text from the sheets but not shapes, so shapes get their strokes and fills written out.
SHAPES = {
    "p-ink": 'fill="#000"',
    "p-paper": 'fill="#fff" stroke="#000" stroke-width="1"',
    "p-over": 'fill="#4a4a4a"',
    "p-overline": 'fill="none" stroke="#4a4a4a" stroke-width="2"',
    "p-thin": 'fill="none" stroke="#000" stroke-width="1"',
    "p-heavy": 'fill="none" stroke="#000" stroke-width="3"',
    "p-hair": 'fill="none" stroke="#bbb" stroke-width="1"',
    "p-rule": 'fill="none" stroke="#666" stroke-width="1"',
    "p-climb": 'fill="none" stroke="#000" stroke-width="1.4"',
    "p-drop": 'fill="none" stroke="#000" stroke-width="3"',
    "p-ceil": 'fill="none" stroke="#4a4a4a" stroke-width="2"',
    "p-med": 'fill="none" stroke="#000" stroke-width="1.5" stroke-dasharray="4 3"',
    "p-later": 'fill="none" stroke="#444" stroke-width="1" stroke-dasharray="2 3"',
    "p-today": 'fill="none" stroke="#000" stroke-width="1" stroke-dasharray="1 2"',
    "p-fan8": 'fill="#e6e6e6"',
    "p-fan5": 'fill="#cfcfcf"',
    "p-later8": 'fill="#f0f0f0"',
    "p-overfill": 'fill="#8a8a8a"',
    "p-pre": 'fill="#000" stroke="#fff" stroke-width="0.8"',
    "p-preover": 'fill="#4a4a4a" stroke="#000" stroke-width="1.5"',
    "p-post": 'fill="#fff" stroke="#000" stroke-width="1.4"',
    "p-cross": 'fill="none" stroke="#000" stroke-width="1.5"',
    "p-book": 'fill="none" stroke="#000" stroke-width="2.4"',
    "p-win": 'fill="none" stroke="#000" stroke-width="1.4"',
    "p-shut": 'fill="#eee"',
    "p-label": 'fill="#fff"',
}
SHAPE_CLASS = re.compile(r'class="(p-[a-z0-9]+)"')
SHEETS = ("core/tokens.css", "core/base.css", "core/pages.css", "worklist/paper.css")


@cache
def style_sheets() -> tuple[CSS, ...]:
    """Return the style sheets, found and understood once: that takes longer than most papers."""
    from weasyprint import CSS  # noqa: PLC0415 -- slow import

    found = [(name, finders.find(name)) for name in SHEETS]
    missing = [name for name, path in found if not isinstance(path, str)]
    if missing:
        raise FileNotFoundError(f"style sheets not found: {', '.join(missing)}")
    texts = []
    for _, path in found:
        with open(str(path), encoding="utf-8") as file:
            texts.append(file.read())
    return tuple(CSS(string=text, url_fetcher=_closed()) for text in texts)


def _closed() -> URLFetcher:
    """Opens nothing: no network, no file, not even one of our own."""
    from weasyprint.urls import URLFetcher  # noqa: PLC0415 -- slow import

    return URLFetcher(allowed_protocols=())


def to_pdf(html: str) -> bytes:
    """Return `html` set on A4 in the look of the pages. It holds all that it shows: no address in it is ever opened."""
    from weasyprint import HTML  # noqa: PLC0415 -- slow import

    drawn = SHAPE_CLASS.sub(lambda found: SHAPES.get(found[1], found[0]), html)
    document: bytes = HTML(string=drawn, url_fetcher=_closed()).write_pdf(stylesheets=style_sheets())
    return document
