"""What a proposal rests on, as digests, and what of it is different now."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from datetime import date, timedelta

from patients.models import Goals, Patient
from programme.booking.queries.free import SiteCalendar, site_calendar
from programme.booking.queries.placing import ToPlace
from programme.core.models import Site


def basis_today(
    site: Site, everyone: tuple[ToPlace, ...], *, first: date, weeks: int, settings: Mapping[str, float]
) -> dict[str, str]:
    """Return digests of what a proposal for these weeks would rest on now, without looking for places."""
    whole = site_calendar(site, first, first + timedelta(days=7 * weeks - 1))
    return digests(whole, everyone, accepted_chances(site, first), flagged_people(site), settings)


def changed_since(basis: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Return in words what a proposal was made from and is different now; empty where nothing is."""
    if basis.get("first") != now.get("first"):
        return ("the day",)
    return tuple(words for kind, words in BASIS_WORDS.items() if basis.get(kind) != now.get(kind))


BASIS_WORDS = {
    "forecasts": "a forecast, a plan or what somebody wishes",
    "bookings": "a booking",
    "calendar": "chairs, staff or open days",
    "settings": "a setting of the unit",
}


def digests(
    calendar: SiteCalendar,
    everyone: tuple[ToPlace, ...],
    accepted: Mapping[int, float],
    flagged: Collection[int],
    settings: Mapping[str, float],
) -> dict[str, str]:
    """Digests of what a proposal rests on, by kind."""
    forecasts = []
    for row in everyone:
        who = row.seeker
        forecasts.append((
            row.pk, row.made_from, row.units, row.needs, row.locked, row.in_chair, accepted.get(row.pk),
            row.pk in flagged, who.best, who.latest_safe, sorted(who.weekdays), who.not_before, who.end_by, who.away,
            who.samples, row.missed_lately,
            who.blood and (who.blood.has_antibody, who.blood.is_rare),
        ))  # fmt: skip
    return {
        "first": calendar.first.isoformat(),
        "forecasts": _digest(forecasts),
        "bookings": _digest([(row.pk, row.version, row.on, row.state) for row in calendar.bookings]),
        "calendar": _digest((calendar.before, calendar.days, calendar.chairs, calendar.slots, calendar.uses)),
        "settings": _digest(sorted(settings.items())),
    }


def _digest(value: object) -> str:
    return hashlib.sha256(repr(value).encode()).hexdigest()


def accepted_chances(site: Site, on: date) -> dict[int, float]:
    """The accepted chance of each person, by key: of the newest goals that have begun."""
    rows = Goals.objects.filter(patient__site=site, since__lte=on).order_by("since", "pk")
    return dict(rows.values_list("patient_id", "accepted_chance"))


def flagged_people(site: Site) -> frozenset[int]:
    """The keys of those with a brain, heart or lung-pressure flag."""
    return frozenset(row.pk for row in Patient.objects.active().of_site(site) if row.is_flagged)
