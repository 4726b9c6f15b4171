"""Chairs and when they can be used, what people wish, and who is booked where."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import models
from django.db.models import Exists, F, OuterRef, Q

from patients.models import Patient
from programme.core.models import Site, User, Versioned
from sessions.models import ExchangeSession, State


def known_weekday(*, empty: bool = False) -> models.CheckConstraint:
    """Return a constraint that `weekday` is one, or nothing where `empty` stands for every day."""
    known = Q(weekday__lte=6)
    return models.CheckConstraint(
        condition=known | Q(weekday__isnull=True) if empty else known,
        name="%(class)s_weekday",
        violation_error_message="A weekday is 0 for Monday to 6 for Sunday.",
    )


def first_before_last() -> models.CheckConstraint:
    """Return a constraint that `until`, where there is one, does not come before `since`."""
    return models.CheckConstraint(
        condition=Q(until__isnull=True) | Q(since__lte=F("until")),
        name="%(class)s_order_of_days",
        violation_error_message="The last day cannot come before the first.",
    )


class Chair(Versioned):
    """A chair for exchanges, from a day on and until it is given up."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="chairs")
    name = models.CharField(max_length=40)
    place = models.PositiveSmallIntegerField()
    since = models.DateField()
    until = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "name"],
                name="chair_name_once",
                violation_error_message="Another chair of this unit has this name.",
            ),
            first_before_last(),
        ]
        ordering = ["place", "pk"]

    def __str__(self) -> str:
        return self.name


class Slot(Versioned):
    """A start at a chair: an exchange begun then has the chair until `ends`. Most chairs have one a day."""

    chair = models.ForeignKey(Chair, models.PROTECT, related_name="slots")
    number = models.PositiveSmallIntegerField()
    starts = models.TimeField()
    ends = models.TimeField()
    since = models.DateField()
    until = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(starts__lt=F("ends")),
                name="slot_end_after_start",
                violation_error_message="A slot ends after it starts.",
            ),
            first_before_last(),
        ]
        ordering = ["chair_id", "number", "pk"]


class OpeningHours(Versioned):
    """The unit is open for exchanges on this weekday (0 Monday to 6 Sunday), from a day on."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="opening_hours")
    weekday = models.PositiveSmallIntegerField()
    opens = models.TimeField()
    closes = models.TimeField()
    since = models.DateField()
    until = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            known_weekday(),
            first_before_last(),
            models.CheckConstraint(
                condition=Q(opens__lt=F("closes")),
                name="openinghours_order",
                violation_error_message="The unit closes after it opens.",
            ),
        ]


class ClosedDay(Versioned):
    """A day on which the unit is closed, or closes early (`closes`), or a bank holiday it works (`works`)."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="closed_days")
    on = models.DateField()
    closes = models.TimeField(null=True, blank=True)
    works = models.BooleanField(default=False)
    words = models.CharField(max_length=120)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "on"],
                name="closed_day_once",
                violation_error_message="This day has an entry already; change that one.",
            ),
            models.CheckConstraint(
                condition=~Q(words=""), name="closed_day_says_why", violation_error_message="Say why, for the diary."
            ),
        ]


class StaffLimit(Versioned):
    """How many exchanges staff can run at once: by weekday, or on single days (a weekday of None is every day)."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="staff_limits")
    weekday = models.PositiveSmallIntegerField(null=True, blank=True)
    since = models.DateField()
    until = models.DateField(null=True, blank=True)
    most = models.PositiveSmallIntegerField()
    words = models.CharField(max_length=120, blank=True)

    class Meta:
        constraints = [
            known_weekday(empty=True),
            first_before_last(),
        ]


class OtherUse(Versioned):
    """A chair is used for something else: on a weekday from a day on, or on the days since to until (weekday None).

    starts, ends: the hours of it; both None for the whole day.
    """

    chair = models.ForeignKey(Chair, models.PROTECT, related_name="other_uses")
    weekday = models.PositiveSmallIntegerField(null=True, blank=True)
    starts = models.TimeField(null=True, blank=True)
    ends = models.TimeField(null=True, blank=True)
    since = models.DateField()
    until = models.DateField(null=True, blank=True)
    words = models.CharField(max_length=120)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(words=""),
                name="otheruse_says_what",
                violation_error_message="Say what the chair is used for.",
            ),
            models.CheckConstraint(
                condition=Q(starts__isnull=True, ends__isnull=True)
                | Q(starts__isnull=False, ends__isnull=False, starts__lt=F("ends")),
                name="otheruse_hours",
                violation_error_message="Give both hours, the end after the start, or neither for the whole day.",
            ),
            known_weekday(empty=True),
            first_before_last(),
        ]


class Wishes(Versioned):
    """What suits a person, and what they need; one row a person, every change in the trail."""

    patient = models.OneToOneField(Patient, models.PROTECT, related_name="wishes")
    weekdays = models.CharField(max_length=14, blank=True)
    earliest = models.TimeField(null=True, blank=True)
    latest_end = models.TimeField(null=True, blank=True)
    needs_two_nurses = models.BooleanField(default=False)
    travel = models.CharField(max_length=200, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(earliest__isnull=True) | Q(latest_end__isnull=True) | Q(earliest__lt=F("latest_end")),
                name="wishes_order",
                violation_error_message="The latest end comes after the earliest start.",
            )
        ]


class Away(Versioned):
    """Days on which a person cannot come (`cannot`), or would rather not: travel, school, examinations."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="away")
    since = models.DateField()
    until = models.DateField()
    cannot = models.BooleanField(default=True)
    words = models.CharField(max_length=120, blank=True)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            first_before_last(),
        ]


class BookingState(models.TextChoices):
    BOOKED = "booked", "booked"
    CONFIRMED = "confirmed", "confirmed with the person"
    CAME = "came", "came"
    MISSED = "missed", "did not come"
    CANCELLED = "cancelled", "cancelled"
    MOVED = "moved", "moved"


STANDING = (BookingState.BOOKED, BookingState.CONFIRMED)
OVER = (State.FINISHED, State.CLOSED, State.ABANDONED)
GIVEN_UP = (BookingState.CANCELLED, BookingState.MOVED)


class BookingQuerySet(models.QuerySet["Booking"]):
    def standing(self) -> BookingQuerySet:
        return self.filter(state__in=STANDING)

    def without_kept(self) -> BookingQuerySet:
        """Without those that stand though the exchange of that day is over: they came, and nobody said so."""
        over = ExchangeSession.objects.filter(patient=OuterRef("patient"), on=OuterRef("on"), state__in=OVER)
        return self.exclude(Exists(over), state__in=STANDING)


class Booking(Versioned):
    """A chair for a person on a day. What it was booked on (window, chance) stands with it as it was then."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="bookings")
    chair = models.ForeignKey(Chair, models.PROTECT, related_name="bookings")
    on = models.DateField()
    starts = models.TimeField()
    ends = models.TimeField()
    state = models.CharField(max_length=10, choices=BookingState.choices, default=BookingState.BOOKED)
    made_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    chance_over = models.FloatField(null=True, blank=True)
    latest_safe = models.DateField(null=True, blank=True)
    late_reason = models.CharField(max_length=400, blank=True)
    ended_by = models.CharField(max_length=10, blank=True, choices=[("unit", "the unit"), ("person", "the person")])
    ended_reason = models.CharField(max_length=400, blank=True)
    moved_from = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="moved_to")

    objects = BookingQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "on"],
                condition=Q(state__in=["booked", "confirmed"]),
                name="booking_once_a_day",
                violation_error_message="This person is booked on this day already.",
            ),
            models.CheckConstraint(
                condition=Q(starts__lt=F("ends")),
                name="booking_end_after_start",
                violation_error_message="A booking ends after it starts.",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["cancelled", "moved"]) | ~Q(ended_reason=""),
                name="booking_end_has_reason",
                violation_error_message="Cancelling or moving a booking needs a reason.",
            ),
            models.CheckConstraint(
                condition=Q(latest_safe__isnull=True) | Q(on__lte=F("latest_safe")) | ~Q(late_reason=""),
                name="booking_late_has_reason",
                violation_error_message="A booking after the last safe day needs a reason.",
            ),
        ]
        indexes = [models.Index(fields=["chair", "on"], name="booking_by_day")]

    def starts_at(self, zone: ZoneInfo) -> datetime:
        """The start as a moment; zone: of the unit."""
        return datetime.combine(self.on, self.starts, tzinfo=zone)


class Occupied(models.Model):
    """One slot of one chair on one day, held by a booking: two people booking it at once cannot both get it."""

    booking = models.ForeignKey(Booking, models.PROTECT, related_name="occupied")
    chair = models.ForeignKey(Chair, models.PROTECT, related_name="+")
    on = models.DateField()
    slot = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["chair", "on", "slot"],
                name="slot_taken_once",
                violation_error_message="This place was taken a moment ago.",
            )
        ]


class Contact(models.Model):
    """A try to reach a person about a place: what came of it, and when to try again."""

    class Outcome(models.TextChoices):
        TRIED = "tried", "tried, nobody answered"
        LEFT_WORD = "left_word", "left word"
        REACHED = "reached", "reached"

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="contacts")
    booking = models.ForeignKey(Booking, models.PROTECT, null=True, blank=True, related_name="contacts")
    at = models.DateTimeField()
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    outcome = models.CharField(max_length=10, choices=Outcome.choices)
    words = models.CharField(max_length=400, blank=True)
    next_try_on = models.DateField(null=True, blank=True)


class Waiting(Versioned):
    """Somebody who would take an earlier place if one becomes free."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="waiting")
    since = models.DateField()
    not_before = models.DateField(null=True, blank=True)
    words = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    ended_on = models.DateField(null=True, blank=True)
    ended_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient"],
                condition=Q(ended_on__isnull=True),
                name="waiting_once",
                violation_error_message="This person waits for an earlier place already.",
            )
        ]


FEED_LASTS = timedelta(days=366)
"""An address that was passed on or forgotten is not good for ever. Chosen here; not from a source."""


class CalendarFeed(models.Model):
    """A secret address that a calendar can read: of one chair, or of one person. Only the digest of it is kept."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="calendar_feeds")
    chair = models.ForeignKey(Chair, models.PROTECT, null=True, blank=True, related_name="feeds")
    patient = models.ForeignKey(Patient, models.PROTECT, null=True, blank=True, related_name="feeds")
    secret_digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(chair__isnull=True, patient__isnull=False) | Q(chair__isnull=False, patient__isnull=True),
                name="feed_of_one",
                violation_error_message="A calendar address is of one chair or of one person.",
            )
        ]

    @property
    def until(self) -> datetime:
        """When the address shows nothing any more, if it was not revoked before."""
        return self.made_at + FEED_LASTS


class Proposal(Versioned):
    """Places for everyone due at once, as they were found; nothing is booked before somebody accepts them.

    changed: what was asked to be different, {"out": [reference], "fixed": {reference: [chair, day, slot]}}.
    found: {"placed": [...], "left": [...], "more": [...]} of queries/together.py. basis: digests of what it was made
    from, by kind, against which it is stale. accepted: key of the booking made, by reference.
    """

    class State(models.TextChoices):
        ASKED = "asked", "being made"
        MADE = "made", "made"
        FAILED = "failed", "could not be made"
        DROPPED = "dropped", "dropped"

    class Moves(models.TextChoices):
        NOBODY = "nobody", "nobody: every booking that can be kept stays"
        UNCONFIRMED = "unconfirmed", "those who have not confirmed yet"
        ANYBODY = "anybody", "anybody, confirmed ones too"

    site = models.ForeignKey(Site, models.PROTECT, related_name="proposals")
    first = models.DateField()
    weeks = models.PositiveSmallIntegerField()
    moves = models.CharField(max_length=12, choices=Moves.choices, default=Moves.NOBODY)
    state = models.CharField(max_length=8, choices=State.choices, default=State.ASKED)
    asked_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    made_at = models.DateTimeField(null=True, blank=True)
    changed = models.JSONField(default=dict)
    basis = models.JSONField(default=dict)
    found = models.JSONField(default=dict)
    accepted = models.JSONField(default=dict)
    proven_optimal = models.BooleanField(default=False)
    gap = models.FloatField(default=0.0)
    trouble = models.CharField(max_length=400, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(weeks__gte=1, weeks__lte=26),
                name="proposal_weeks",
                violation_error_message="A proposal is for 1 to 26 weeks.",
            )
        ]
        ordering = ["-pk"]
