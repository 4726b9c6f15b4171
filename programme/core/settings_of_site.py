"""The settings in force at a site: the defaults, and over them what the site decided."""

from __future__ import annotations

from datetime import datetime

from programme.core.models import Site, SiteSetting
from programme.core.numeric.setting_table import DEFAULTS


def site_settings(site: Site, at: datetime) -> dict[str, float]:
    """Return the value of every setting in force at `site` at the moment `at`, by name."""
    rows = SiteSetting.objects.filter(site=site, since__lte=at).order_by("since", "pk").values_list("name", "value")
    decided = {name: value for name, value in rows if name in DEFAULTS}
    return DEFAULTS | decided
