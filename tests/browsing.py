"""What every page must be in a real browser: without a fault that axe can find, and as wide as its window."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page

WIDTHS = (1440, 1024, 390)
PATIENCE_MS = 30_000
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}


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


def follow(control: Locator) -> None:
    """Press what opens another page, and wait until that page is there: a press alone comes back before it is.

    What is read right after a press would otherwise be read of the page before, or of none.
    """
    with control.page.expect_navigation():
        control.click()


def until(page: Page, script: str, holds: Callable[[Any], bool]) -> None:
    """Ask the page again and again until what it answers to `script` holds.

    Playwright's own wait for a function asks by `eval` inside the page, which the content policy refuses.
    """
    give_up = time.monotonic() + PATIENCE_MS / 1000
    while not holds(page.evaluate(script)) and time.monotonic() < give_up:
        page.wait_for_timeout(50)
    found = page.evaluate(script)
    assert holds(found), found


def nothing_is_kept_in_the_browser(page: Page) -> None:
    """Wait until no entry of the bedside is kept for a later sending."""
    names = "Object.keys(localStorage).filter((name) => name.startsWith('ebbline-run'))"
    until(page, names, lambda kept: kept == [])


def pixels_beyond_the_window(page: Page, width: int) -> int:
    """How far the page can be pushed sideways in a window of `width`; content that scrolls by itself does not count."""
    page.set_viewport_size({"width": width, "height": 900})
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def faults_at_every_width(page: Page, widths: tuple[int, ...] = (1440, 1024, 390, 320)) -> list[str]:
    """What the page that is open runs over, at each width, and what axe finds at the first and the last of them.

    320 px is a page of 1280 at 400 %, which WCAG 2.2 asks for in 1.4.10. A page is opened once: opening takes longer
    than being narrowed.
    """
    found = []
    for width in widths:
        if not _fits(page, width):
            found.append(f"{page.url} runs over at {width} px")
        if width in (widths[0], widths[-1]):
            found += [f"{page.url} at {width} px: {fault}" for fault in faults_of(page)]
    return found


def _fits(page: Page, width: int) -> bool:
    """Whether nothing is to be pushed sideways, once what draws itself anew had its moment."""
    for _ in range(20):
        if pixels_beyond_the_window(page, width) <= 0:
            return True
        page.wait_for_timeout(100)
    return False


def too_small_for_a_thumb(page: Page) -> list[str]:
    """Every button and box to be pressed or typed into that is under 48 px high; a tick counts with its words."""
    boxes = ["input:not([type=hidden], [type=checkbox], [type=radio])", "select", "textarea", ".btn", "button"]
    pressed = ", ".join(f"main {one}" for one in [*boxes, "label.rad", "summary"])
    return list(page.evaluate(
        f"[...document.querySelectorAll('{pressed}, .mast nav a')].filter((one) => one.checkVisibility() "
        "&& !one.closest('.vh') && one.getBoundingClientRect().height < 47.5).map((one) => one.outerHTML.slice(0, 90))"
    ))  # fmt: skip


def tables_cut(page: Page, width: int) -> list[str]:
    """The tables of which a part must be pushed into sight in a window of `width`."""
    page.set_viewport_size({"width": width, "height": 900})
    wraps = "[...document.querySelectorAll('.wide')].filter(one => one.scrollWidth > one.clientWidth + 1)"
    return list(page.evaluate(f"{wraps}.map(one => one.textContent.trim().slice(0, 60))"))
