"""Suggestions in force, how forecasts held, and the rows that let a nightly replan be resumed."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from patients.models import Patient
from programme.core.models import Site
from sessions.models import ExchangeSession, ModelFit


class Suggestion(models.Model):
    """What is suggested for one person: reckoned, replaceable, never signed.

    `body` holds the object that the planner prints; `options` the choices and chances that the pages show.
    """

    patient = models.OneToOneField(Patient, models.PROTECT, related_name="suggestion")
    model_fit = models.ForeignKey(ModelFit, models.PROTECT, null=True, related_name="+")
    data_version = models.PositiveIntegerField()
    code_version = models.CharField(max_length=20)
    as_of = models.DateField()
    made_at = models.DateTimeField()
    status = models.CharField(max_length=12, choices=[("ok", "ok"), ("unavailable", "unavailable")])
    reason = models.CharField(max_length=400, blank=True)
    next_date = models.DateField(null=True)
    latest_safe_date = models.DateField(null=True)
    interval_days = models.PositiveSmallIntegerField(null=True)
    chance_today = models.FloatField(null=True)
    body = models.JSONField()
    options = models.JSONField(null=True)
    caution = models.FloatField(default=1.0)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(status="ok") | ~Q(reason=""),
                name="suggestion_unavailable_has_reason",
                violation_error_message="A suggestion that cannot be made says why.",
            )
        ]


class KeptForecast(models.Model):
    """The forecast that was in force before a session: what was promised, to be held against what was measured.

    p10, p50, p90: of the measured HbS before, in %, on the day of the session.
    """

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="kept_forecasts")
    exchange_session = models.OneToOneField(ExchangeSession, models.PROTECT, related_name="kept_forecast")
    as_of = models.DateField()
    made_at = models.DateTimeField()
    code_version = models.CharField(max_length=20)
    form = models.CharField(max_length=30, blank=True)
    ahead_days = models.PositiveSmallIntegerField()
    p10 = models.FloatField()
    p50 = models.FloatField()
    p90 = models.FloatField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(p10__lte=F("p50"), p50__lte=F("p90")),
                name="keptforecast_in_order",
                violation_error_message="The range of a forecast rises from p10 over p50 to p90.",
            )
        ]


class ForecastWatch(models.Model):
    """How the forecasts of a site had held on a night; shares 0 to 1, None where nothing was counted.

    caution: the share of each accepted chance that suggestions plan with until the next such row.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="forecast_watches")
    on = models.DateField()
    made_at = models.DateTimeField()
    n = models.PositiveIntegerField()
    n_people = models.PositiveIntegerField()
    inside = models.FloatField(null=True)
    inside_low = models.FloatField(null=True)
    inside_high = models.FloatField(null=True)
    above = models.FloatField(null=True)
    above_low = models.FloatField(null=True)
    above_high = models.FloatField(null=True)
    enough = models.BooleanField()
    holds = models.BooleanField()
    caution = models.FloatField(default=1.0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "on"],
                name="forecastwatch_once_a_day",
                violation_error_message="The forecasts of this day were looked at already.",
            ),
            models.CheckConstraint(
                condition=Q(caution__gt=0, caution__lte=1),
                name="forecastwatch_caution_range",
                violation_error_message="caution: allowed is over 0 and up to 1.",
            ),
        ]

    @property
    def is_well(self) -> bool:
        """Whether nothing has to be said: forecasts hold, and all of each accepted chance is planned with."""
        return self.holds and self.caution == 1.0


class ReplanRun(models.Model):
    """One nightly replan of one site as of a day."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="replans")
    as_of = models.DateField()
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)
    model_fit = models.ForeignKey(ModelFit, models.PROTECT, null=True, related_name="+")
    everyone = models.BooleanField(default=False)


class ReplanChunk(models.Model):
    """A share of a replan's people. Whoever holds the lease works on it; an expired lease is free again."""

    class Stage(models.TextChoices):
        WAITING = "waiting", "waiting"
        TAKEN = "taken", "taken"
        DONE = "done", "done"

    run = models.ForeignKey(ReplanRun, models.PROTECT, related_name="chunks")
    number = models.PositiveIntegerField()
    patient_keys = models.JSONField()
    state = models.CharField(max_length=8, choices=Stage.choices, default=Stage.WAITING)
    lease_until = models.DateTimeField(null=True)
    attempt = models.PositiveSmallIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["run", "number"], name="chunk_number_once")]
