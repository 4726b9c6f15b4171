"""Blood ordered for booked exchanges, and every unit of it to its end."""

from __future__ import annotations

from django.db import models
from django.db.models import Count, F, Q

from patients.models import Patient
from programme.booking.models import Booking
from programme.core.models import Site, User, Versioned
from sessions.models import ModelFit


class OrderState(models.TextChoices):
    DRAFTED = "drafted", "drafted"
    SENT = "sent", "sent"
    PART = "part", "confirmed in part"
    CONFIRMED = "confirmed", "confirmed"
    ARRIVED = "arrived", "arrived"
    ENDED = "ended", "ended"
    CANCELLED = "cancelled", "cancelled"


AWAY = ("returned", "discarded")
"""States of a unit that is nobody's any more."""
OPEN = (OrderState.DRAFTED, OrderState.SENT, OrderState.PART, OrderState.CONFIRMED, OrderState.ARRIVED)


class BloodOrderQuerySet(models.QuerySet["BloodOrder"]):
    def open(self) -> BloodOrderQuerySet:
        return self.filter(state__in=OPEN)

    def with_kept(self) -> BloodOrderQuerySet:
        """Each with `kept`: how many of its units came and were neither returned nor discarded."""
        return self.annotate(kept=Count("supplied_units", filter=~Q(supplied_units__state__in=AWAY)))


class BloodOrder(Versioned):
    """Units for one booked exchange, with what they must be as it stood when the order was drafted or changed.

    needs: {"abo", "rhd", "negative": [antigens], "antibodies": [names], "hbs_negative", "other", "freshest_days"}.
    plan: {"units", "data_version", "prescription"}: what the number came from; another number since then is loud.
    to_tell: what was changed after it was sent, until somebody records that the blood bank was told.
    held_until: so long the blood bank keeps the units for the person; None until some are confirmed or here.
    """

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="blood_orders")
    booking = models.ForeignKey(Booking, models.PROTECT, related_name="blood_orders")
    number = models.PositiveIntegerField()
    site = models.ForeignKey(Site, models.PROTECT, related_name="blood_orders")
    for_at = models.DateTimeField()
    units = models.PositiveSmallIntegerField()
    needs = models.JSONField()
    plan = models.JSONField(default=dict)
    order_by = models.DateField()
    state = models.CharField(max_length=10, choices=OrderState.choices, default=OrderState.DRAFTED)
    confirmed_units = models.PositiveSmallIntegerField(default=0)
    held_until = models.DateTimeField(null=True, blank=True)
    substitution = models.CharField(max_length=400, blank=True)
    late_reason = models.CharField(max_length=400, blank=True)
    to_tell = models.CharField(max_length=400, blank=True)
    ended_reason = models.CharField(max_length=400, blank=True)

    objects = BloodOrderQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="order_number_once"),
            models.UniqueConstraint(
                fields=["booking"],
                condition=Q(state__in=["drafted", "sent", "part", "confirmed", "arrived"]),
                name="order_once_a_booking",
                violation_error_message="This booking has an open order already.",
            ),
            models.CheckConstraint(
                condition=Q(units__gte=1, units__lte=20),
                name="order_units",
                violation_error_message="units: allowed is 1 to 20.",
            ),
            models.CheckConstraint(
                condition=~Q(state="cancelled") | ~Q(ended_reason=""),
                name="order_cancel_has_reason",
                violation_error_message="Cancelling an order needs a reason.",
            ),
        ]
        indexes = [models.Index(fields=["site", "for_at"], name="order_by_day")]


class OrderEvent(models.Model):
    """What happened to an order, by whom: the table can only grow."""

    order = models.ForeignKey(BloodOrder, models.PROTECT, related_name="events")
    at = models.DateTimeField()
    by = models.ForeignKey(User, models.PROTECT, null=True, related_name="+")
    what = models.CharField(max_length=40)
    units = models.PositiveSmallIntegerField(null=True, blank=True)
    words = models.CharField(max_length=400, blank=True)


class SuppliedUnit(Versioned):
    """One unit that arrived for an order, followed to its end.

    issued_at: when it left the fridge; back_at: when it was back in controlled storage, of one that was not started.
    return_decided: who at the blood bank took it back although it was out too long, or nobody knows how long.
    """

    class State(models.TextChoices):
        ARRIVED = "arrived", "in the unit's fridge"
        ISSUED = "issued", "taken to the chair"
        GIVEN = "given", "given"
        RETURNED = "returned", "returned"
        DISCARDED = "discarded", "discarded"

    order = models.ForeignKey(BloodOrder, models.PROTECT, related_name="supplied_units")
    donation_number = models.CharField(max_length=16)
    product_code = models.CharField(max_length=8, blank=True)
    abo = models.CharField(max_length=2, blank=True)
    rhd = models.CharField(max_length=1, blank=True)
    antigens_negative = models.CharField(max_length=200, blank=True)
    hbs_negative = models.BooleanField(null=True, blank=True)
    collected_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.ARRIVED)
    arrived_at = models.DateTimeField()
    issued_at = models.DateTimeField(null=True, blank=True)
    back_at = models.DateTimeField(null=True, blank=True)
    return_decided = models.CharField(max_length=200, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    given_to = models.ForeignKey(Patient, models.PROTECT, null=True, blank=True, related_name="+")
    end_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["donation_number", "product_code"],
                condition=Q(state__in=["arrived", "issued", "given"]),
                name="supplied_unit_once",
                violation_error_message="This unit has arrived already, for this or another order.",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["returned", "discarded"]) | ~Q(end_reason=""),
                name="supplied_end_reason",
                violation_error_message="Returning or discarding a unit needs a reason.",
            ),
            models.CheckConstraint(
                condition=~Q(state="given") | Q(given_to__isnull=False),
                name="supplied_given_to_someone",
                violation_error_message="Say to whom the unit was given.",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(arrived_at__lte=F("ended_at")),
                name="supplied_end_after_arrival",
                violation_error_message="A unit cannot end before it arrived.",
            ),
            models.CheckConstraint(
                condition=Q(back_at__isnull=True) | Q(issued_at__lte=F("back_at")),
                name="supplied_back_after_issue",
                violation_error_message="A unit cannot be back in storage before it left it.",
            ),
        ]
        indexes = [models.Index(fields=["donation_number"], name="supplied_by_donation")]


class DemandForecast(models.Model):
    """Units foreseen week by week as of a day: reckoned, replaced by the next, never ordered by itself.

    rows: [{"week_start", "group", "p10", "p50", "p90", "expected", "searched": {same four}, "booked"}].
    classes: [{"week_start", "group", "phenotype", "p10", "p50", "p90", "expected", "booked"}], group "all" for all.
    left_out: references of people about whom nothing could be foreseen. look_back: the one whose stretch was used.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="demand_forecasts")
    as_of = models.DateField()
    made_at = models.DateTimeField()
    model_fit = models.ForeignKey(ModelFit, models.PROTECT, null=True, related_name="+")
    code_version = models.CharField(max_length=20)
    stretch = models.FloatField()
    rows = models.JSONField()
    classes = models.JSONField(default=list)
    left_out = models.JSONField(default=list)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "as_of"], name="demand_forecast_once_a_day")]


class DemandLookBack(models.Model):
    """Past forecasts of weekly units, made from what was known then, beside what was used.

    rows: [{"as_of", "week_start", "ahead", "group", "p10", "p50", "p90", "expected", "used"}], ranges as lived, not
    widened; group "all" for all together, to which the rest belongs. stretch: what they would have had to be widened
    by; held_later: how many of the later half hold when widened by what the earlier half asks for, with how many there
    are.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="demand_look_backs")
    as_of = models.DateField()
    made_at = models.DateTimeField()
    code_version = models.CharField(max_length=20)
    stretch = models.FloatField()
    held_later = models.PositiveIntegerField()
    weeks_later = models.PositiveIntegerField()
    rows = models.JSONField()
