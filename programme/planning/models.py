"""Suggestions in force, and the rows that let a nightly replan be resumed."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from patients.models import Patient
from programme.core.models import Site
from sessions.models import ModelFit


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

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(status="ok") | ~Q(reason=""),
                name="suggestion_unavailable_has_reason",
                violation_error_message="A suggestion that cannot be made says why.",
            )
        ]


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
