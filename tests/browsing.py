"""What every page must be in a real browser: without a fault that axe can find, and as wide as its window."""

from __future__ import annotations

import os
import shutil

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

WIDTHS = (1440, 1024, 390)
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


def chromium_program() -> str:
    """The system's Chromium, or the one that CHROMIUM names."""
    found = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        raise FileNotFoundError("Chromium is not installed; 'make test' says how to get it, CHROMIUM names another.")
    return found


def faults_of(page: Page) -> list[str]:
    """What axe finds against WCAG 2.2 A and AA, one line for each place."""
    found = Axe().run(page, options=RULES).response["violations"]
    return [f"{fault['id']}: {node['html'][:160]}" for fault in found for node in fault["nodes"]]


def pixels_beyond_the_window(page: Page, width: int) -> int:
    """How far the page can be pushed sideways in a window of `width`; content that scrolls by itself does not count."""
    page.set_viewport_size({"width": width, "height": 900})
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
