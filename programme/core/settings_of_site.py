"""The settings and texts in force at a site: the defaults, and over them what the site decided."""

from __future__ import annotations

from datetime import datetime

from programme.core.models import Site, SiteSetting, SiteText
from programme.core.numeric.setting_table import DEFAULTS
from programme.core.numeric.text_table import DEFAULT_TEXTS
from programme.core.prepared import Prepared

SETTINGS = Prepared(
    lambda site, at: (
        SiteSetting.objects.filter(site=site, since__lte=at).order_by("since", "pk").values_list("name", "value")
    )
)
TEXTS = Prepared(
    lambda site, at: (
        SiteText.objects.filter(site=site, since__lte=at).order_by("since", "pk").values_list("name", "text")
    )
)


def site_settings(site: Site, at: datetime) -> dict[str, float]:
    """Return the value of every setting in force at `site` at the moment `at`, by name."""
    decided = {name: value for name, value in SETTINGS.figures(site=site.pk, at=at) if name in DEFAULTS}
    return DEFAULTS | decided


def site_texts(site: Site, at: datetime) -> dict[str, str]:
    """Return the wording of every text in force at `site` at the moment `at`, by name; one query."""
    rows = TEXTS.figures(site=site.pk, at=at)
    return DEFAULT_TEXTS | {name: text for name, text in rows if name in DEFAULT_TEXTS}
