"""Writing what the diary stands on: chairs, starts, opening hours, days that differ, staff and other uses.

Each row holds from a day to a day; what held in the past is not rewritten, so a rule is ended and another begun.
Nobody who is booked is moved by it: the page says who then no longer has a place. Whoever is not booked and was
suggested a day that is closed now is suggested another.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TypeVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max, Q, QuerySet

from patients.services import local_day, need_reason, raise_data_version, state_of
from programme.booking.models import Chair, ClosedDay, OpeningHours, OtherUse, Slot, StaffLimit
from programme.booking.numeric.calendar import NEVER_OPEN, WEEKDAYS
from programme.booking.numeric.places import spoken
from programme.booking.queries.free import open_days, suggested_while_closed
from programme.core import changes, trail
from programme.core.models import Site, User, Versioned
from programme.core.services import holidays_fault

Rule = Chair | Slot | OpeningHours | ClosedDay | StaffLimit | OtherUse
Row = TypeVar("Row", bound=Rule)
MOST_DAYS = 92  # days that differ entered at once; chosen here


@transaction.atomic
def add(*, row: Row, actor: User, at: datetime) -> Row:
    """Store a new row of the actor's unit. Raises ValidationError with what is allowed; then nothing is kept."""
    site = _hold(row, actor)
    if isinstance(row, Chair):
        row.place = row.place or (site.chairs.aggregate(last=Max("place"))["last"] or 0) + 1
    elif isinstance(row, Slot):
        # A number is never used twice at a chair, so that what holds a place always means the same start.
        row.number = (row.chair.slots.aggregate(last=Max("number"))["last"] or 0) + 1
    _check(row, site, at, None)
    row.save()
    trail.write([_entry(row, site, "add to diary")], actor=actor, at=at)
    _suggest_anew(row, site, at)
    return row


@transaction.atomic
def add_days(*, row: ClosedDay, until: date, actor: User, at: datetime) -> tuple[ClosedDay, ...]:
    """Store a day that differs for each day from its own to `until` on which the unit opens; return them.

    Raises ValidationError with what is allowed, also where one of the days has an entry already; then nothing is kept.
    """
    if not row.on <= until < row.on + timedelta(days=MOST_DAYS):
        last = row.on + timedelta(days=MOST_DAYS - 1)
        raise ValidationError({"to": f"Allowed is from {spoken(row.on)}, the first day, to {spoken(last)}."})
    site = _hold(row, actor)
    known = ClosedDay.objects.filter(site=site, on__range=(row.on, until)).order_by("on").first()
    if known is not None:
        raise ValidationError({"to": f"{spoken(known.on)} has an entry already ({known.words}); change that one."})
    days = [day.on for day in open_days(site, row.on, until) if not day.why.startswith(NEVER_OPEN)]
    if not days:
        raise ValidationError({"to": "The unit is never open on these weekdays; choose other days."})
    fields = {"site": site, "closes": row.closes, "works": row.works, "words": row.words}
    return tuple(add(row=ClosedDay(on=on, **fields), actor=actor, at=at) for on in days)


@transaction.atomic
def change(*, row: Row, fields: list[str], reason: str, actor: User, at: datetime) -> Row:
    """Write these fields of a row at the version it was opened at, with the reason.

    Raises ValidationError with what is allowed, EditedMeanwhile where somebody else changed it.
    """
    site, why = _hold(row, actor), need_reason(reason, "reason")
    stored = type(row)._default_manager.get(pk=row.pk)
    before = state_of(stored)
    _check(row, site, at, stored)
    row.save_changes(fields)
    trail.write([_entry(row, site, "change diary", why=why, before=before)], actor=actor, at=at)
    _suggest_anew(row, site, at)
    return row


@transaction.atomic
def change_holidays(
    *, site: Site, country: str, region: str, version: int, reason: str, actor: User, at: datetime
) -> Site:
    """Let the bank holidays of another country and region hold for the unit from now on; its plans are stale then.

    Raises ValidationError where they are not known, with what is allowed, and EditedMeanwhile.
    """
    if site.pk != actor.site_id:
        raise ValidationError("This belongs to another unit.")
    row = Site.objects.select_for_update().get(pk=site.pk)
    before, why = {"country": row.country, "region": row.region}, need_reason(reason, "reason")
    after = {"country": country.strip().upper(), "region": region.strip().upper()}
    if after == before:
        raise ValidationError({"region": "These hold already."})
    if fault := holidays_fault(**after, year=local_day(at, row).year):
        name, _, words = fault.partition(": ")
        raise ValidationError({name: words})
    row.country, row.region, row.version = after["country"], after["region"], version
    row.save_changes(["country", "region"])
    said = trail.Change(
        row.pk, None, "change bank holidays", "core.Site", row.pk, row.version, why, before=before, after=after
    )  # fmt: skip
    trail.write([said], actor=actor, at=at)
    raise_data_version(row.patients.values_list("pk", flat=True))
    return row


def _suggest_anew(row: Rule, site: Site, at: datetime) -> None:
    """Let another day be suggested to everyone whose suggested day is closed now."""
    if isinstance(row, ClosedDay | OpeningHours) and (keys := suggested_while_closed(site, local_day(at, site))):
        changes.announce(*keys, at=at)


def _hold(row: Rule, actor: User) -> Site:
    """Return the unit of a row, held; raise ValidationError for another one than the actor's."""
    site = row.chair.site if isinstance(row, Slot | OtherUse) else row.site
    if site.pk != actor.site_id:
        raise ValidationError("This belongs to another unit.")
    return Site.objects.select_for_update().get(pk=site.pk)


def _entry(
    row: Versioned, site: Site, action: str, *, why: str = "", before: dict[str, object] | None = None
) -> trail.Change:
    return trail.Change(
        site.pk, None, action, row._meta.label, row.pk, row.version, why, before=before, after=state_of(row)
    )  # fmt: skip


def _check(row: Rule, site: Site, at: datetime, stored: Rule | None) -> None:
    """Raise ValidationError where a row cannot stand as it is."""
    today = local_day(at, site)
    row.full_clean()
    if isinstance(row, ClosedDay):
        _check_day(row, today)
        return
    _check_until(row, today, stored)
    if isinstance(row, Slot):
        _refuse_overlapping_start(row)
    elif isinstance(row, OpeningHours):
        _refuse_second_hours(row)


def _check_day(row: ClosedDay, today: date) -> None:
    if row.on < today:
        raise ValidationError({"on": f"{spoken(row.on)} is in the past; allowed is from today, {spoken(today)}, on."})
    if row.works and row.closes is not None:
        raise ValidationError({"closes": "A day is either open as usual or closes early; leave one of the two out."})


def _check_until(row: Rule, today: date, stored: Rule | None) -> None:
    """A last day lies after the first, and not so far back that it would rewrite what was."""
    assert not isinstance(row, ClosedDay)
    until, was = row.until, getattr(stored, "until", None)
    if until is None or until == was:
        return
    if until < row.since:
        raise ValidationError({"until": f"The last day, {spoken(until)}, comes before the first, {spoken(row.since)}."})
    if until < today - timedelta(days=1):
        raise ValidationError(
            {"until": f"{spoken(until)} has been; the earliest last day is yesterday, {spoken(today - timedelta(1))}."}
        )


def _meets(rows: QuerySet[Row], row: Slot | OpeningHours) -> QuerySet[Row]:
    """The other rows whose days meet those of `row`."""
    found = rows.exclude(pk=row.pk).filter(Q(until__isnull=True) | Q(until__gte=row.since))
    return found if row.until is None else found.filter(since__lte=row.until)


def _refuse_overlapping_start(row: Slot) -> None:
    rows = _meets(Slot.objects.filter(chair_id=row.chair_id), row)
    other = rows.filter(starts__lt=row.ends, ends__gt=row.starts).order_by("since", "starts").first()
    if other is not None:
        raise ValidationError(
            {
                "starts": f"{row.chair.name} has a start from {other.starts:%H:%M} to {other.ends:%H:%M} "
                f"{_dates(other)}; choose other times, or end that one first."
            }
        )


def _refuse_second_hours(row: OpeningHours) -> None:
    other = _meets(OpeningHours.objects.filter(site_id=row.site_id, weekday=row.weekday), row).first()
    if other is not None:
        raise ValidationError(
            {
                "weekday": f"{WEEKDAYS[row.weekday]} has hours from {other.opens:%H:%M} to {other.closes:%H:%M} "
                f"{_dates(other)}; end those first."
            }
        )


def _dates(row: Slot | OpeningHours) -> str:
    end = "" if row.until is None else f" to {spoken(row.until)}"
    return f"(from {spoken(row.since)}{end})"
