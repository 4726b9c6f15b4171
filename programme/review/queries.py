"""What the review pages read."""

from __future__ import annotations

from programme.core.models import Site
from sessions.models import BacktestRun


def newest_backtest(site: Site) -> BacktestRun | None:
    """Return the site's newest stored comparison of model forms, or None."""
    return BacktestRun.objects.filter(site=site).order_by("-made_at", "-pk").first()
