"""Collects the one browser file of the chart library out of the installed package, so that no copy is kept here."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

FILE = "plotly.min.js"
PREFIX = "plotly"


class PlotlyFinder(BaseFinder):
    """Finds `plotly/plotly.min.js` and nothing else of the package."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        spec = find_spec("plotly")
        places = [] if spec is None else list(spec.submodule_search_locations or [])
        self.folder = Path(places[0]) / "package_data" if places else Path()
        self.storage = FileSystemStorage(location=self.folder)
        self.storage.prefix = PREFIX  # type: ignore[attr-defined]

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        there = path == f"{PREFIX}/{FILE}" and (self.folder / FILE).is_file()
        if not there:
            return []
        found = str(self.folder / FILE)
        return [found] if find_all else found

    def list(self, ignore_patterns: Any) -> Iterator[tuple[str, FileSystemStorage]]:
        if (self.folder / FILE).is_file():
            yield FILE, self.storage
