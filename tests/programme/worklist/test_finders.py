"""The chart library's browser file comes out of the installed package, alone."""

from importlib.metadata import files
from pathlib import Path

from django.contrib.staticfiles import finders

from programme.worklist.finders import PlotlyFinder


def test_the_browser_file_is_the_one_of_the_installed_package():
    found = Path(finders.find("plotly/plotly.min.js"))
    installed = next(path for path in files("plotly") if path.name == "plotly.min.js").locate()
    assert found.read_bytes() == Path(installed).read_bytes()


def test_nothing_else_of_the_package_is_served():
    listed = [(storage.prefix, path) for path, storage in PlotlyFinder().list([])]
    assert listed == [("plotly", "plotly.min.js")]
    assert finders.find("plotly/widgetbundle.js") is None
    assert finders.find("plotly/../plotly.min.js") is None
