"""Exchange sessions and what is reckoned from them: facts, fits of the drift model, stored forecasts."""

from __future__ import annotations

from typing import Any, NoReturn

from django.db import models
from django.db.models import F, Q

from patients.models import LabResult, Patient
from programme.core.models import Site, User, Versioned, between
from sessions.numeric.packed import FIGURES, pack


class State(models.TextChoices):
    PLANNED = "planned", "planned"
    AUTHORISED = "authorised", "authorised"
    RUNNING = "running", "running"
    FINISHED = "finished", "finished"
    CLOSED = "closed", "closed"
    CANCELLED = "cancelled", "cancelled"
    ABANDONED = "abandoned", "abandoned"


NOT_BEGUN = (State.PLANNED, State.AUTHORISED)
CARRIED_OUT = (State.FINISHED, State.CLOSED)
BLOOD_MOVED = Q(red_cells_in_ml__gt=0) | Q(blood_out_ml__gt=0)
"""Something was given or drawn: a session abandoned after that has moved HbS and Hb, and counts like a finished one."""


class Origin(models.TextChoices):
    IMPORTED = "imported", "brought in from past records"
    BY_HAND = "by_hand", "entered afterwards by hand"
    HERE = "here", "carried out here"


class VisitReason(models.TextChoices):
    ROUTINE = "routine", "routine"
    EARLY_UNWELL = "early_unwell", "came early, unwell"
    EARLY_OTHER = "early_other", "came early, other"
    LATE_MISSED = "late_missed", "late, a visit was missed"


class AdmissionInGap(models.TextChoices):
    NO = "no", "no admission"
    YES = "yes", "admitted, not transfused"
    TRANSFUSED = "transfused", "transfused elsewhere"
    UNKNOWN = "unknown", "admitted, transfusion unknown"
    NOT_SAID = "", "not recorded"


class Method(models.TextChoices):
    TWO_ARM = "two_arm", "by hand, two arms at once"
    ONE_ARM = "one_arm", "by hand, one arm"
    AUTOMATED = "automated", "automated"
    NOT_SAID = "", "not recorded"


class ExchangeSessionQuerySet(models.QuerySet["ExchangeSession"]):
    def carried_out(self) -> ExchangeSessionQuerySet:
        return self.filter(Q(state__in=CARRIED_OUT) | Q(state=State.ABANDONED) & BLOOD_MOVED)

    def taking_their_day(self) -> ExchangeSessionQuerySet:
        """All but those of which nothing happened: cancelled, or abandoned before anything was given or drawn."""
        return self.exclude(state=State.CANCELLED).exclude(Q(state=State.ABANDONED) & ~BLOOD_MOVED)


class ExchangeSession(Versioned):
    """One exchange session of one person on one day, with the totals really given and removed."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="exchange_sessions")
    on = models.DateField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.PLANNED)
    origin = models.CharField(max_length=10, choices=Origin.choices, default=Origin.HERE)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    weight_kg = models.FloatField()
    units = models.PositiveSmallIntegerField(null=True, blank=True)
    saline_in_ml = models.FloatField(null=True, blank=True)
    red_cells_in_ml = models.FloatField(null=True, blank=True)
    blood_out_ml = models.FloatField(null=True, blank=True)
    visit_reason = models.CharField(max_length=12, choices=VisitReason.choices, blank=True, default="")
    admission_in_gap = models.CharField(max_length=12, choices=AdmissionInGap.choices, blank=True, default="")
    hbs_method = models.CharField(max_length=60, blank=True)
    method = models.CharField(max_length=10, choices=Method.choices, blank=True, default="")
    note = models.CharField(max_length=400, blank=True)
    ended_reason = models.CharField(max_length=400, blank=True)

    objects = ExchangeSessionQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "on"],
                condition=Q(state__in=["planned", "authorised", "running", "finished", "closed"])
                | Q(state="abandoned", red_cells_in_ml__gt=0)
                | Q(state="abandoned", blood_out_ml__gt=0),
                name="exchange_session_once_a_day",
                violation_error_message="This person already has an exchange session on this day.",
            ),
            models.UniqueConstraint(
                fields=["patient"],
                condition=Q(state="running"),
                name="exchange_session_one_running",
                violation_error_message="This person already has an exchange session running.",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(started_at__lte=F("ended_at")),
                name="exchange_session_end_after_start",
                violation_error_message="An exchange session cannot end before it starts.",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["cancelled", "abandoned"]) | ~Q(ended_reason=""),
                name="exchange_session_ended_reason",
                violation_error_message="Cancelling or abandoning an exchange session needs a reason.",
            ),
            between("weight_kg", 2, 300, "kg"),
            between("units", 0, 20, "units", empty=True),
            between("saline_in_ml", 0, 6000, "mL", empty=True),
            between("red_cells_in_ml", 0, 6000, "mL", empty=True),
            between("blood_out_ml", 0, 8000, "mL", empty=True),
        ]
        indexes = [models.Index(fields=["patient", "on"], name="exchange_session_by_day")]

    @property
    def has_happened(self) -> bool:
        moved = (self.red_cells_in_ml or 0) > 0 or (self.blood_out_ml or 0) > 0
        return self.state in CARRIED_OUT or (self.state == State.ABANDONED and moved)


class Fluid(models.TextChoices):
    SALINE = "saline", "saline"
    RED_CELLS = "red_cells", "red cells"


class ExchangeStep(models.Model):
    """One step as carried out: fluid in and blood out at the same time; either may be nothing."""

    exchange_session = models.ForeignKey(ExchangeSession, models.PROTECT, related_name="steps")
    number = models.PositiveSmallIntegerField()
    fluid = models.CharField(max_length=10, choices=Fluid.choices)
    in_ml = models.FloatField(default=0)
    out_ml = models.FloatField(default=0)
    cells_hb_g_l = models.FloatField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["exchange_session", "number"], name="step_number_once"),
            between("in_ml", 0, 3000, "mL"),
            between("out_ml", 0, 3000, "mL"),
            between("cells_hb_g_l", 100, 300, "g/L", empty=True),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(started_at__lte=F("ended_at")),
                name="step_end_after_start",
                violation_error_message="A step cannot end before it starts.",
            ),
        ]


class UnitState(models.TextChoices):
    AT_CHAIR = "at_chair", "at the chair"
    CHECKED = "checked", "checked"
    RUNNING = "running", "being given"
    GIVEN = "given", "given"
    RETURNED = "returned", "returned"
    DISCARDED = "discarded", "discarded"


class DonationUnit(Versioned):
    """A red cell unit of a session; the donation number may be unknown in past records.

    Two people check a unit at the chair; where only one did, `emergency_reason` says why, unless the site asks for one.
    return_decided: who at the blood bank took back a unit that was out of controlled storage too long, or nobody knows.
    """

    exchange_session = models.ForeignKey(ExchangeSession, models.PROTECT, related_name="donation_units")
    place = models.PositiveSmallIntegerField()
    donation_number = models.CharField(max_length=16, blank=True)
    abo = models.CharField(max_length=2, blank=True)
    rhd = models.CharField(max_length=1, blank=True)
    volume_ml = models.FloatField(null=True, blank=True)
    hb_g = models.FloatField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    expires_at = models.TimeField(null=True, blank=True)
    product_code = models.CharField(max_length=8, blank=True)
    antigens_negative = models.CharField(max_length=200, blank=True)
    hbs_negative = models.BooleanField(null=True, blank=True)
    special_marks = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=10, choices=UnitState.choices, default=UnitState.GIVEN)
    out_of_storage_at = models.DateTimeField(null=True, blank=True)
    back_in_storage_at = models.DateTimeField(null=True, blank=True)
    return_decided = models.CharField(max_length=200, blank=True)
    first_checker = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    second_checker = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    checked_at = models.DateTimeField(null=True, blank=True)
    emergency_reason = models.CharField(max_length=400, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    end_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["exchange_session", "place"], name="unit_place_once"),
            models.UniqueConstraint(
                fields=["donation_number", "product_code"],
                condition=~Q(donation_number="") & Q(state__in=["at_chair", "checked", "running", "given"]),
                name="unit_given_once",
                violation_error_message="This unit is already recorded: at a chair, being given, or given.",
            ),
            models.CheckConstraint(
                condition=Q(first_checker__isnull=True) | ~Q(first_checker=F("second_checker")),
                name="unit_two_checkers",
                violation_error_message="The two checks of a unit are made by two different people.",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["returned", "discarded"]) | ~Q(end_reason=""),
                name="unit_end_reason",
                violation_error_message="Returning or discarding a unit needs a reason.",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(started_at__lte=F("ended_at")),
                name="unit_end_after_start",
                violation_error_message="A unit cannot end before it starts.",
            ),
            models.CheckConstraint(
                condition=Q(back_in_storage_at__isnull=True) | Q(out_of_storage_at__lte=F("back_in_storage_at")),
                name="unit_back_after_out",
                violation_error_message="A unit cannot be back in storage before it left it.",
            ),
            between("volume_ml", 50, 450, "mL", empty=True),
            between("hb_g", 10, 100, "g", empty=True),
        ]
        indexes = [models.Index(fields=["donation_number"], name="unit_by_donation")]


class Position(models.TextChoices):
    BEFORE = "before", "before"
    AFTER = "after", "after"


class ResultLink(models.Model):
    """Links a stored result to a session as before or after; says whether a person or a rule paired them."""

    exchange_session = models.ForeignKey(ExchangeSession, models.PROTECT, related_name="result_links")
    result = models.OneToOneField(LabResult, models.PROTECT, related_name="link")
    position = models.CharField(max_length=6, choices=Position.choices)
    by_rule = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(position__in=["before", "after"]),
                name="resultlink_position_known",
                violation_error_message="A result is taken before or after the session.",
            )
        ]


class OtherTransfusion(models.Model):
    """Red cells given outside an exchange session: a simple top-up here, or a transfusion elsewhere."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="other_transfusions")
    on = models.DateField()
    elsewhere = models.BooleanField(default=False)
    amount_known = models.BooleanField(default=True)
    units = models.FloatField(null=True, blank=True)
    volume_ml = models.FloatField(null=True, blank=True)
    hb_g = models.FloatField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            between("units", 0.1, 20, "units", empty=True),
            between("volume_ml", 10, 6000, "mL", empty=True),
            between("hb_g", 1, 1200, "g", empty=True),
        ]
        indexes = [models.Index(fields=["patient", "on"], name="other_transfusion_by_day")]

    def donor_hb_g(self, *, unit_hb_g: float, unit_volume_ml: float) -> float | None:
        """Donor haemoglobin given [g]: as recorded, else from the volume or the units; None where it is not known."""
        if not self.amount_known:
            return None
        if self.hb_g is not None:
            return self.hb_g
        if self.volume_ml is not None:
            return self.volume_ml * unit_hb_g / unit_volume_ml
        return None if self.units is None else self.units * unit_hb_g


class HaemolysisSign(models.Model):
    """A sign noted after red cells that may mean haemolysis; open until a consultant lifts the lock."""

    class Sign(models.TextChoices):
        REACTION = "reaction", "reaction under investigation"
        DARK_URINE = "dark_urine", "dark urine"
        NEW_PAIN = "new_pain", "new severe pain"
        FEVER = "fever", "fever"

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="haemolysis_signs")
    on = models.DateField()
    sign = models.CharField(max_length=12, choices=Sign.choices)
    note = models.CharField(max_length=400, blank=True)
    noted_by = models.ForeignKey(User, models.PROTECT, null=True, related_name="+")
    noted_at = models.DateTimeField(null=True)


class LockLift(models.Model):
    """A consultant's decision that the haemolysis lock no longer holds for what was seen up to a day."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="lock_lifts")
    on = models.DateField()
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    reason = models.CharField(max_length=400)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="locklift_has_reason",
                violation_error_message="Lifting the lock needs a reason.",
            )
        ]


class PackedFigures(models.BinaryField):  # type: ignore[type-arg]
    """The figures of the row itself as bytes: made anew whenever it is written, so they never say another thing."""

    def pre_save(self, model_instance: models.Model, add: bool) -> bytes:
        packed = pack({name: getattr(model_instance, name) for name in FIGURES})
        setattr(model_instance, self.attname, packed)
        return packed

    def deconstruct(self) -> tuple[str, str, Any, Any]:
        """Migrations know it as a column of bytes."""
        name, _, positional, named = super().deconstruct()
        return name, "django.db.models.BinaryField", positional, named


class FactsQuerySet(models.QuerySet["SessionFacts"]):
    def update(self, **changes: Any) -> NoReturn:
        """Refuse: rows changed by the database alone would leave `packed` behind."""
        raise TypeError("Facts are built anew by rebuild_facts and never changed in place.")


class SessionFacts(models.Model):
    """The flat, rebuildable copy of one carried-out session that drift reads; reckoned, outside the trail.

    Figures that cannot be reckoned are null and named in `missing`. `day` is the ordinal of the session's date,
    `known_day` that of the day by which every result used had been taken and, where recorded, received.
    `packed` says the same once more, as the drift model reads it: thousands of rows at a time.
    """

    exchange_session = models.OneToOneField(ExchangeSession, models.CASCADE, primary_key=True, related_name="facts")
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="facts")
    day = models.IntegerField()
    known_day = models.IntegerField(default=0)
    hbs_before_pct = models.FloatField(null=True)
    hbs_after_pct = models.FloatField(null=True)
    hb_before_g_l = models.FloatField(null=True)
    hb_after_g_l = models.FloatField(null=True)
    hbs_ratio = models.FloatField(null=True)
    hbs_ratio_sd = models.FloatField(null=True)
    hb_reckoned_g_l = models.FloatField(null=True)
    hb_reckoned_sd = models.FloatField(null=True)
    untransfused_pct = models.FloatField()
    reason = models.SmallIntegerField(default=0)
    gap_known = models.BooleanField(default=True)
    topup_hb_g = models.FloatField(default=0)
    topup_day = models.IntegerField(null=True)
    blood_volume_ml = models.FloatField(null=True)
    method = models.CharField(max_length=60, blank=True)
    points_per_unit = models.FloatField(null=True)
    share_of_ideal = models.FloatField(null=True)
    share_of_ideal_sd = models.FloatField(null=True)
    donor_kept_pct = models.FloatField(null=True)
    net_iron_mg = models.FloatField(null=True)
    remark = models.CharField(max_length=600, blank=True)
    missing = models.CharField(max_length=200, blank=True)
    hbs_before_result = models.BigIntegerField(null=True)
    hbs_after_result = models.BigIntegerField(null=True)
    hb_before_result = models.BigIntegerField(null=True)
    hb_after_result = models.BigIntegerField(null=True)
    code_version = models.CharField(max_length=20)
    packed = PackedFigures()

    objects = FactsQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["patient", "day"], name="facts_by_day")]


class ModelFit(models.Model):
    """A fit of the drift model to one site's programme; in force once its checks passed."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="model_fits")
    made_at = models.DateTimeField()
    as_of = models.DateField()
    form = models.CharField(max_length=30)
    code_version = models.CharField(max_length=20)
    parameters = models.JSONField()
    n_people = models.PositiveIntegerField()
    n_gaps = models.PositiveIntegerField()
    n_sessions = models.PositiveIntegerField(null=True)  # on record at the site then; null in older fits
    checks = models.JSONField(default=list)
    in_force_since = models.DateTimeField(null=True)

    class Meta:
        indexes = [models.Index(fields=["site", "in_force_since"], name="fit_in_force")]


class BacktestRun(models.Model):
    """The stored result of comparing the model forms on one site's own past."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="backtests")
    made_at = models.DateTimeField()
    as_of = models.DateField()
    code_version = models.CharField(max_length=20)
    result = models.JSONField()
    form_chosen = models.CharField(max_length=30)


class StoredForecast(models.Model):
    """The forecast in force for one person, with what it came from; stale when any of that has changed."""

    patient = models.OneToOneField(Patient, models.PROTECT, related_name="forecast")
    model_fit = models.ForeignKey(ModelFit, models.PROTECT, null=True, related_name="+")
    data_version = models.PositiveIntegerField()
    code_version = models.CharField(max_length=20)
    as_of = models.DateField()
    made_at = models.DateTimeField()
    last_on = models.DateField(null=True)
    pace = models.JSONField(null=True)
    days = models.JSONField(null=True)
    results_used = models.JSONField(default=list)
    locked = models.JSONField(null=True)
    flag = models.JSONField(null=True)
