"""Every site setting with its default, range, ground and the value in force, and every text: one query each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from programme.core.models import Site, SiteSetting, SiteText
from programme.core.numeric.setting_table import SETTING_TABLE, SettingRow
from programme.core.numeric.text_table import TEXT_TABLE, TextRow


@dataclass(frozen=True, slots=True)
class SettingLine:
    """One setting; the last four say who decided on the value in force, empty where the default holds."""

    row: SettingRow
    value: float
    since: datetime | None
    by: str
    reason: str

    @property
    def is_default(self) -> bool:
        return self.since is None

    @property
    def shown(self) -> str:
        return f"{self.value:g}"

    @property
    def default(self) -> str:
        return f"{self.row.default:g}"

    @property
    def range(self) -> str:
        return f"{self.row.low:g} to {self.row.high:g}"


def setting_lines(site: Site, at: datetime) -> tuple[SettingLine, ...]:
    """Return every setting of a site as it stands at a moment, in the order of the table."""
    decided = {}
    for row in SiteSetting.objects.filter(site=site, since__lte=at).select_related("by").order_by("since", "pk"):
        decided[row.name] = row
    return tuple(_line(row, decided.get(row.name)) for row in SETTING_TABLE)


def _line(row: SettingRow, decided: SiteSetting | None) -> SettingLine:
    if decided is None:
        return SettingLine(row, row.default, None, "", "")
    by = decided.by.full_name if decided.by else "setup"
    return SettingLine(row, decided.value, decided.since, by, decided.reason)


def earlier_values(site: Site, name: str) -> tuple[SiteSetting, ...]:
    """Return every dated value of one setting, newest first."""
    return tuple(SiteSetting.objects.filter(site=site, name=name).select_related("by").newest_first())


@dataclass(frozen=True, slots=True)
class TextLine:
    """One of the site's texts as worded now; `worded`: its dated wordings, newest first, none where the default is."""

    row: TextRow
    text: str
    worded: tuple[SiteText, ...]


def text_lines(site: Site, at: datetime) -> tuple[TextLine, ...]:
    """Return every text of a site as it stands at a moment, in the order of the table; one query."""
    worded: dict[str, list[SiteText]] = {}
    for row in SiteText.objects.filter(site=site, since__lte=at).select_related("by").order_by("-since", "-pk"):
        worded.setdefault(row.name, []).append(row)
    return tuple(
        TextLine(row, worded[row.name][0].text if row.name in worded else row.default, tuple(worded.get(row.name, ())))
        for row in TEXT_TABLE
    )


def newest_text(site: Site, name: str) -> SiteText | None:
    """Return the wording in force of one text; None where the default holds."""
    return SiteText.objects.filter(site=site, name=name).order_by("-since", "-pk").first()
