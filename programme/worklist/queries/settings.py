"""Every site setting with its default, range, ground and the value in force: one query."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from programme.core.models import Site, SiteSetting
from programme.core.numeric.setting_table import SETTING_TABLE, SettingRow


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
