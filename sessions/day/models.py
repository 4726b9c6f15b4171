"""The day of an exchange: what was prescribed, everything done at the bedside, reactions, and what is to follow."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

from django.db import models
from django.db.models import Q

from patients.models import Patient
from programme.core.models import User, Versioned, between
from sessions.models import DonationUnit, ExchangeSession, Method, State


class PrescriptionQuerySet(models.QuerySet["Prescription"]):
    def in_force(self) -> PrescriptionQuerySet:
        """Signed, and neither lapsed nor replaced; at most one a session."""
        return self.filter(authorised_at__isnull=False, lapsed_at__isnull=True, replaced_at__isnull=True)

    def of_sessions_lately(self, people: Collection[int], since: date, until: date) -> PrescriptionQuerySet:
        """Signed plans of sessions of these days that were not cancelled, the newest last, with their sessions."""
        rows = self.filter(
            exchange_session__patient__in=people,
            exchange_session__on__range=(since, until),
            authorised_at__isnull=False,
        )
        rows = rows.exclude(exchange_session__state=State.CANCELLED).select_related("exchange_session")
        return rows.order_by("exchange_session__on", "number")


class Prescription(Versioned):
    """A numbered plan of one session. Once signed it is frozen: a correction lapses it, a change makes a new number.

    inputs: what it was made from and may lapse with, e.g. {"hb": {"result": 12, "value": 94.0}, "weight": {…}}.
    steps: [{"number", "fluid", "units", "in_ml", "out_ml", "draws", "why", "hb", "hbs"}…].
    predicted, limits: as planned.
    broken: the limits that the signature accepts, [{"name", "reason"}…].
    """

    exchange_session = models.ForeignKey(ExchangeSession, models.PROTECT, related_name="prescriptions")
    number = models.PositiveSmallIntegerField()
    method = models.CharField(max_length=10, choices=Method.choices)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, models.PROTECT, null=True, related_name="+")
    why = models.CharField(max_length=400, blank=True)
    weight_kg = models.FloatField()
    hb_g_l = models.FloatField()
    hbs_pct = models.FloatField()
    hbs_is_forecast = models.BooleanField(default=False)
    blood_volume_ml = models.FloatField()
    mixing_volume_ml = models.FloatField()
    units = models.PositiveSmallIntegerField()
    inputs = models.JSONField()
    steps = models.JSONField()
    predicted = models.JSONField()
    limits = models.JSONField()
    broken = models.JSONField(default=list)
    authorised_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    authorised_at = models.DateTimeField(null=True, blank=True)
    lapsed_at = models.DateTimeField(null=True, blank=True)
    lapsed_why = models.CharField(max_length=400, blank=True)
    replaced_at = models.DateTimeField(null=True, blank=True)

    objects = PrescriptionQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["exchange_session", "number"], name="prescription_number_once"),
            models.UniqueConstraint(
                fields=["exchange_session"],
                condition=Q(authorised_at__isnull=False, lapsed_at__isnull=True, replaced_at__isnull=True),
                name="prescription_one_in_force",
                violation_error_message="Another plan of this session is signed already; it must lapse or be replaced.",
            ),
            models.CheckConstraint(
                condition=Q(authorised_at__isnull=True, authorised_by__isnull=True)
                | Q(authorised_at__isnull=False, authorised_by__isnull=False),
                name="prescription_signed_by_someone",
                violation_error_message="A signature has a person and a time.",
            ),
            models.CheckConstraint(
                condition=Q(lapsed_at__isnull=True) | ~Q(lapsed_why=""),
                name="prescription_lapse_has_reason",
                violation_error_message="A signature lapses for a reason that everyone can read.",
            ),
            between("weight_kg", 2, 300, "kg"),
            between("hb_g_l", 20, 250, "g/L"),
            between("hbs_pct", 0, 100, "%"),
            between("units", 0, 20, "units"),
        ]

    @property
    def is_in_force(self) -> bool:
        return self.authorised_at is not None and self.lapsed_at is None and self.replaced_at is None


class Entry(models.Model):
    """One thing done at the bedside. The table can only grow; undo and correction are entries that name an earlier one.

    key: made in the browser, so that an entry sent twice is one. number: its place in the session, given by the server.
    seen: the newest number that the screen had shown when it was made; others in between may be in conflict with it.
    body: by kind, see `sessions.day.numeric.entries`. waited: kept in the browser until the server could be reached.
    """

    exchange_session = models.ForeignKey(ExchangeSession, models.PROTECT, related_name="entries")
    number = models.PositiveIntegerField()
    key = models.CharField(max_length=64, unique=True)
    kind = models.CharField(max_length=20)
    body = models.JSONField(default=dict)
    happened_at = models.DateTimeField()
    received_at = models.DateTimeField()
    waited = models.BooleanField(default=False)
    seen = models.PositiveIntegerField(default=0)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    why = models.CharField(max_length=400, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["exchange_session", "number"], name="entry_number_once")]
        ordering = ["exchange_session_id", "number"]


class Imputability(models.TextChoices):
    """How likely it is that the blood caused it: the words of the international haemovigilance definitions."""

    NOT_ASSESSABLE = "not_assessable", "not assessable"
    EXCLUDED = "excluded", "excluded"
    UNLIKELY = "unlikely", "unlikely"
    POSSIBLE = "possible", "possible"
    PROBABLE = "probable", "likely, probable"
    DEFINITE = "definite", "certain, definite"


class AdverseEvent(Versioned):
    """A reaction or mishap of a session, as noted at the time and as judged later.

    Severity 1 to 4 and imputability as in the ISBT definitions of 2011 (CDC biovigilance protocol, appendix C).
    """

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="adverse_events")
    exchange_session = models.ForeignKey(
        ExchangeSession, models.PROTECT, null=True, blank=True, related_name="adverse_events"
    )
    unit = models.ForeignKey(DonationUnit, models.PROTECT, null=True, blank=True, related_name="adverse_events")
    at = models.DateTimeField()
    kind = models.CharField(max_length=24)
    signs = models.CharField(max_length=400, blank=True)
    done = models.CharField(max_length=800, blank=True)
    severity = models.PositiveSmallIntegerField(null=True, blank=True)
    imputability = models.CharField(max_length=16, choices=Imputability.choices, blank=True)
    outcome = models.CharField(max_length=400, blank=True)
    noted_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    noted_at = models.DateTimeField()
    judged_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    judged_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            between("severity", 1, 4, "as a grade", empty=True),
            models.CheckConstraint(
                condition=Q(severity__isnull=True)
                | ~Q(severity=4)
                | Q(imputability__in=["possible", "probable", "definite"]),
                name="event_death_related",
                violation_error_message="Grade 4 is for a death that is possibly, probably or certainly related.",
            ),
        ]
        indexes = [models.Index(fields=["patient", "at"], name="event_by_time")]


class FollowUp(Versioned):
    """A contact that falls due after a session: a call about late reactions, a sample again, a reaction to review."""

    class Kind(models.TextChoices):
        LATE_CALL = "late_call", "call about signs of a late reaction"
        RECHECK = "recheck", "check Hb again"
        REACTION = "reaction", "follow up a reaction"

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="follow_ups")
    exchange_session = models.ForeignKey(ExchangeSession, models.PROTECT, related_name="follow_ups")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    due_on = models.DateField()
    words = models.CharField(max_length=300, blank=True)
    opened_at = models.DateTimeField()
    done_at = models.DateTimeField(null=True, blank=True)
    done_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    outcome = models.CharField(max_length=400, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(done_at__isnull=True) | ~Q(outcome=""),
                name="followup_outcome_said",
                violation_error_message="Say what came of it.",
            )
        ]
        indexes = [models.Index(fields=["patient", "done_at", "due_on"], name="followup_due")]
