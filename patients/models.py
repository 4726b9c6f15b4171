"""Who is on the programme: the person, measures, goals, transfusion needs and laboratory results."""

from __future__ import annotations

from datetime import date

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q

from patients.numeric.groups import ABO, RHD
from programme.core.models import Site, User, Versioned, Withdrawable, between

FLAGS = {"flag_brain": "cerebrovascular", "flag_heart": "cardiac", "flag_lung_pressure": "lung-pressure"}
"""The words of each flag with which volume and Hb are kept up more closely."""


class Sex(models.TextChoices):
    FEMALE = "F", "female"
    MALE = "M", "male"


class Genotype(models.TextChoices):
    SS = "SS", "SS"
    S_BETA_0 = "Sb0", "S beta-zero"
    S_BETA_PLUS = "Sb+", "S beta-plus"
    SC = "SC", "SC"
    OTHER = "other", "other"
    UNKNOWN = "", "not recorded"


class Standing(models.TextChoices):
    ACTIVE = "active", "on the programme"
    PAUSED = "paused", "paused"
    LEFT = "left", "left the programme"


class Leaving(models.TextChoices):
    """Why somebody left; reviews count them up to that day, each reason apart."""

    DEATH = "death", "died"
    TRANSPLANT = "transplant", "stem cell transplant"
    GENE_THERAPY = "gene_therapy", "gene therapy"
    TRANSFER = "transfer", "moved to another unit"
    OWN_WISH = "own_wish", "own wish"
    OTHER = "other", "another reason"
    NOT_SAID = "", "not recorded"


class Spleen(models.TextChoices):
    PRESENT = "present", "present"
    ABSENT = "absent", "absent"
    UNKNOWN = "", "not recorded"


class PatientQuerySet(models.QuerySet["Patient"]):
    def active(self) -> PatientQuerySet:
        return self.filter(standing=Standing.ACTIVE)

    def of_site(self, site: Site) -> PatientQuerySet:
        return self.filter(site=site)


class Patient(Versioned):
    """A person on the programme. `data_version` rises with every clinical write about them."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="patients")
    patient_ref = models.CharField(max_length=40)
    family_name = models.CharField(max_length=80, blank=True)
    given_name = models.CharField(max_length=80, blank=True)
    birth_date = models.DateField(null=True, blank=True)
    sex = models.CharField(max_length=1, choices=Sex.choices)
    genotype = models.CharField(max_length=6, choices=Genotype.choices, blank=True, default="")
    untransfused_pct = models.FloatField(null=True, blank=True)
    spleen = models.CharField(max_length=8, choices=Spleen.choices, blank=True, default="")
    vascular_access = models.CharField(max_length=80, blank=True)
    language = models.CharField(max_length=40, blank=True)
    note = models.CharField(max_length=400, blank=True)
    flag_brain = models.BooleanField(default=False)
    flag_heart = models.BooleanField(default=False)
    flag_lung_pressure = models.BooleanField(default=False)
    pregnant_since = models.DateField(null=True, blank=True)
    pregnant_until = models.DateField(null=True, blank=True)
    standing = models.CharField(max_length=8, choices=Standing.choices, default=Standing.ACTIVE)
    standing_since = models.DateField(null=True, blank=True)
    standing_reason = models.CharField(max_length=200, blank=True)
    standing_review_on = models.DateField(null=True, blank=True)
    left_because = models.CharField(max_length=12, choices=Leaving.choices, blank=True, default="")
    data_version = models.PositiveIntegerField(default=1)

    objects = PatientQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "patient_ref"],
                name="patient_ref_once_a_site",
                violation_error_message="This reference belongs to another person of this site.",
            ),
            models.CheckConstraint(
                condition=Q(sex__in=Sex.values),
                name="patient_sex_known",
                violation_error_message="Sex is F or M: the formula for blood volume needs it.",
            ),
            between("untransfused_pct", 30, 100, "%", empty=True),
            models.CheckConstraint(
                condition=Q(pregnant_until__isnull=True) | Q(pregnant_since__lte=F("pregnant_until")),
                name="patient_pregnancy_order",
                violation_error_message="A pregnancy cannot end before it starts.",
            ),
            models.CheckConstraint(
                condition=Q(standing=Standing.LEFT) | Q(left_because=""),
                name="patient_left_because_left",
                violation_error_message="A reason for leaving belongs to somebody who has left.",
            ),
        ]

    def __str__(self) -> str:
        return self.shown_name

    @property
    def shown_name(self) -> str:
        """Family name first, as the list prints it; the reference where no name is recorded."""
        if not self.family_name:
            return self.patient_ref
        return f"{self.family_name}, {self.given_name}".rstrip(", ")

    @property
    def follows_hbs_and_hbc(self) -> bool:
        """In SC disease the followed quantity is HbS + HbC."""
        return self.genotype == Genotype.SC

    @property
    def is_flagged(self) -> bool:
        return bool(self.flag_words)

    @property
    def flag_words(self) -> tuple[str, ...]:
        return tuple(words for name, words in FLAGS.items() if getattr(self, name))

    def age_years(self, on: date) -> float | None:
        return None if self.birth_date is None else (on - self.birth_date).days / 365.25

    def is_pregnant(self, on: date) -> bool:
        if self.pregnant_since is None or self.pregnant_since > on:
            return False
        return self.pregnant_until is None or on < self.pregnant_until

    def last_pregnant_day(self, on: date) -> date | None:
        """The last day of a pregnancy up to `on`: that day itself while it lasts, None where there was none."""
        if self.pregnant_since is None or self.pregnant_since > on:
            return None
        return on if self.pregnant_until is None else min(on, self.pregnant_until)


class BodyMeasure(models.Model):
    """Weight and height as measured on a day."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="measures")
    on = models.DateField()
    weight_kg = models.FloatField(null=True, blank=True)
    height_cm = models.FloatField(null=True, blank=True)
    source = models.CharField(max_length=80, blank=True)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            between("weight_kg", 2, 300, "kg", empty=True),
            between("height_cm", 40, 230, "cm", empty=True),
            models.CheckConstraint(
                condition=Q(weight_kg__isnull=False) | Q(height_cm__isnull=False),
                name="measure_says_something",
                violation_error_message="Enter a weight, a height or both.",
            ),
        ]
        indexes = [models.Index(fields=["patient", "on"], name="measure_by_day")]


class Answers(models.TextChoices):
    """What a decision did with the suggestion that stood beside it."""

    ACCEPTED = "accepted", "accepted the suggestion"
    OVERRIDDEN = "overridden", "overrode the suggestion"
    NOTHING = "", "no suggestion stood beside it"


class GoalsQuerySet(models.QuerySet["Goals"]):
    def begun(self, on: date) -> GoalsQuerySet:
        """Those that have begun on a day, the one that counts first."""
        return self.filter(since__lte=on).order_by("-since", "-pk")


class Goals(models.Model):
    """What was decided for a person from a day on; never overwritten, the newest that has begun counts.

    method: how exchanges are to be done, empty where nobody said. answers, foreseen: what the suggestion was and what
    the year was said to become, as they stood when this was decided; copies, for both are replaced by newer ones.
    """

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="goals")
    since = models.DateField()
    hbs_ceiling_pct = models.FloatField(default=30)
    accepted_chance = models.FloatField(default=0.10)
    hb_ceiling_g_l = models.FloatField(default=110)
    greatest_rise_g_l = models.FloatField(default=40)
    hb_floor_g_l = models.FloatField(null=True, blank=True)
    shortest_interval_days = models.PositiveSmallIntegerField(default=14)
    longest_interval_days = models.PositiveSmallIntegerField(default=56)
    usual_interval_days = models.PositiveSmallIntegerField(null=True, blank=True)
    end_target_hbs_pct = models.FloatField(null=True, blank=True)
    units_most = models.PositiveSmallIntegerField(null=True, blank=True)
    clinic_days = models.CharField(max_length=14, blank=True)
    method = models.CharField(max_length=10, blank=True, default="")
    review_on = models.DateField(null=True, blank=True)
    reason = models.CharField(max_length=400, blank=True)
    answers = models.CharField(max_length=10, choices=Answers.choices, blank=True, default="")
    foreseen = models.JSONField(null=True, blank=True)
    decided_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    decided_by_name = models.CharField(max_length=120, blank=True)
    recorded_at = models.DateTimeField()

    objects = GoalsQuerySet.as_manager()

    class Meta:
        constraints = [
            between("hbs_ceiling_pct", 20, 60, "%"),
            between("accepted_chance", 0.01, 0.5, "as a share"),
            between("hb_ceiling_g_l", 90, 130, "g/L"),
            between("greatest_rise_g_l", 5, 60, "g/L"),
            between("hb_floor_g_l", 50, 110, "g/L", empty=True),
            between("shortest_interval_days", 7, 84, "days"),
            between("longest_interval_days", 7, 84, "days"),
            between("usual_interval_days", 7, 84, "days", empty=True),
            between("end_target_hbs_pct", 2, 59, "%", empty=True),
            between("units_most", 1, 12, "units", empty=True),
            models.CheckConstraint(
                condition=~Q(answers="overridden") | ~Q(reason=""),
                name="goals_override_has_reason",
                violation_error_message="Deciding otherwise than suggested needs a reason.",
            ),
            models.CheckConstraint(
                condition=Q(shortest_interval_days__lte=F("longest_interval_days")),
                name="goals_interval_order",
                violation_error_message="The shortest interval cannot be longer than the longest.",
            ),
            models.CheckConstraint(
                condition=Q(hbs_ceiling_pct__lt=50) | ~Q(reason=""),
                name="goals_high_ceiling_has_reason",
                violation_error_message="A ceiling of 50 %% or more needs a reason.",
            ),
        ]
        indexes = [models.Index(fields=["patient", "since", "id"], name="goals_by_day")]

    @property
    def clinic_weekdays(self) -> tuple[int, ...]:
        """Usual clinic days as weekday numbers, Monday 0; empty where any open day will do."""
        return tuple(int(part) for part in self.clinic_days.split(",") if part)

    def clean(self) -> None:
        parts = [part for part in self.clinic_days.split(",") if part]
        if any(part not in "0123456" or len(part) != 1 for part in parts):
            raise ValidationError({"clinic_days": "Clinic days are weekday numbers, 0 for Monday to 6 for Sunday."})


class TransfusionNeeds(Versioned):
    """What blood the person must have; one row a person, every change in the trail."""

    patient = models.OneToOneField(Patient, models.PROTECT, related_name="needs")
    abo = models.CharField(max_length=2, blank=True, choices=ABO)
    rhd = models.CharField(max_length=1, blank=True, choices=RHD)
    own_type = models.CharField(max_length=200, blank=True)
    antigens_to_avoid = models.CharField(max_length=200, blank=True)
    hbs_negative = models.BooleanField(default=True)
    other = models.CharField(max_length=200, blank=True)


class Antibody(models.Model):
    """An antibody once found: permanent, binding even when it can no longer be detected."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="antibodies")
    name = models.CharField(max_length=40)
    found_year = models.PositiveSmallIntegerField(null=True, blank=True)
    found_elsewhere = models.BooleanField(default=False)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "name"], name="antibody_once",
                violation_error_message="This antibody is recorded already.",
            ),
            between("found_year", 1950, 2100, "as a year", empty=True),
        ]  # fmt: skip


class CrossmatchSample(models.Model):
    """A group-and-screen sample: units crossmatched on it may be started only while it is valid.

    abo, rhd: the group found on it, both or neither; two samples that agree confirm a group."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="crossmatch_samples")
    taken_at = models.DateTimeField()
    abo = models.CharField(max_length=2, blank=True, choices=ABO)
    rhd = models.CharField(max_length=1, blank=True, choices=RHD)
    note = models.CharField(max_length=200, blank=True)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(abo="", rhd="") | (~Q(abo="") & ~Q(rhd="")), name="crossmatch_group_whole",
                violation_error_message="Give both ABO and D as they were found on the sample.",
            )
        ]  # fmt: skip
        indexes = [models.Index(fields=["patient", "taken_at"], name="crossmatch_by_time")]


class Consent(models.Model):
    """The person's consent to the exchange programme, with the day up to which it holds."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="consents")
    given_on = models.DateField()
    valid_until = models.DateField()
    given_by = models.CharField(max_length=80, blank=True)
    note = models.CharField(max_length=200, blank=True)
    withdrawn_on = models.DateField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(given_on__lte=F("valid_until")), name="consent_order",
                violation_error_message="Consent cannot end before it was given.",
            )
        ]  # fmt: skip
        indexes = [models.Index(fields=["patient", "valid_until"], name="consent_by_day")]


class Analyte(models.TextChoices):
    """What is measured, by its LOINC code (LOINC is used under its licence; attribution in the README)."""

    HB = "718-7", "Hb"
    HBS = "4625-0", "HbS"
    HBA = "4546-8", "HbA"
    HBF = "4576-5", "HbF"
    HBC = "4563-3", "HbC"
    HBA2 = "4551-8", "HbA2"
    HCT = "20570-8", "haematocrit"
    FERRITIN = "2276-4", "ferritin"
    RETIC_COUNT = "14196-0", "reticulocytes"
    RETIC_PCT = "4679-7", "reticulocytes, share"
    BILIRUBIN = "14631-6", "bilirubin"
    LDH = "2532-0", "LDH"
    ALT = "1742-6", "ALT"
    CREATININE = "14682-9", "creatinine"
    LIVER_IRON = "own:lic", "liver iron"  # a code of our own: no LOINC code of it was read


STORED_UNIT: dict[str, str] = {
    Analyte.HB: "g/L",
    Analyte.HBS: "%",
    Analyte.HBA: "%",
    Analyte.HBF: "%",
    Analyte.HBC: "%",
    Analyte.HBA2: "%",
    Analyte.HCT: "L/L",
    Analyte.FERRITIN: "ug/L",
    Analyte.RETIC_COUNT: "10*9/L",
    Analyte.RETIC_PCT: "%",
    Analyte.BILIRUBIN: "umol/L",
    Analyte.LDH: "U/L",
    Analyte.ALT: "U/L",
    Analyte.CREATININE: "umol/L",
    Analyte.LIVER_IRON: "mg/g",
}
FRACTIONS = (Analyte.HBS, Analyte.HBA, Analyte.HBF, Analyte.HBC, Analyte.HBA2)


class ResultStatus(models.TextChoices):
    PRELIMINARY = "preliminary", "preliminary"
    FINAL = "final", "final"
    CORRECTED = "corrected", "corrected"
    WITHDRAWN = "withdrawn", "withdrawn"


class LabResultQuerySet(models.QuerySet["LabResult"]):
    def in_force(self) -> LabResultQuerySet:
        """Results that count: final or corrected, accepted, and not superseded by a later row."""
        return self.filter(
            status__in=[ResultStatus.FINAL, ResultStatus.CORRECTED],
            superseded_by__isnull=True,
            held_reason="",
        )


class LabResult(models.Model):
    """A measured value, stored once in its stored unit. A correction is a new row that names the old one."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="results")
    analyte = models.CharField(max_length=10, choices=Analyte.choices)
    value = models.FloatField()
    method = models.CharField(max_length=60, blank=True)
    taken_at = models.DateTimeField()
    taken_on = models.DateField()
    time_known = models.BooleanField(default=True)
    received_at = models.DateTimeField(null=True, blank=True)
    recorded_at = models.DateTimeField()
    source = models.CharField(max_length=60)
    source_key = models.CharField(max_length=120)
    status = models.CharField(max_length=12, choices=ResultStatus.choices, default=ResultStatus.FINAL)
    supersedes = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="superseded_by")
    held_reason = models.CharField(max_length=200, blank=True)
    why = models.CharField(max_length=200, blank=True)

    objects = LabResultQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["source", "source_key"], name="labresult_once"),
            models.CheckConstraint(
                condition=~Q(analyte__in=[str(a) for a in FRACTIONS]) | Q(value__gte=0, value__lte=100),
                name="labresult_fraction_range",
                violation_error_message="A haemoglobin fraction is 0 to 100 %%.",
            ),
            models.CheckConstraint(
                condition=~Q(analyte="718-7") | Q(value__gte=20, value__lte=250),
                name="labresult_hb_range",
                violation_error_message="Hb: allowed is 20 to 250 g/L.",
            ),
            models.CheckConstraint(
                condition=~Q(analyte="20570-8") | Q(value__gte=0, value__lte=1),
                name="labresult_hct_range",
                violation_error_message="Haematocrit: allowed is 0 to 1 L/L.",
            ),
            models.CheckConstraint(
                condition=~Q(analyte="2276-4") | Q(value__gte=0, value__lte=200000),
                name="labresult_ferritin_range",
                violation_error_message="Ferritin: allowed is 0 to 200000 ug/L.",
            ),
            models.CheckConstraint(
                condition=~Q(analyte="4679-7") | Q(value__gte=0, value__lte=100),
                name="labresult_retic_share_range",
                violation_error_message="Reticulocytes: a share is 0 to 100 %%.",
            ),
            models.CheckConstraint(
                condition=~Q(analyte__in=["14196-0", "14631-6", "2532-0", "1742-6", "14682-9"])
                | Q(value__gte=0, value__lte=50000),
                name="labresult_other_range",
                violation_error_message="Allowed is 0 to 50000 in the stored unit.",
            ),
            models.CheckConstraint(
                condition=~Q(analyte="own:lic") | Q(value__gte=0, value__lte=100),
                name="labresult_liver_iron_range",
                violation_error_message="Liver iron: allowed is 0 to 100 mg per g of dry weight.",
            ),
        ]
        indexes = [models.Index(fields=["patient", "analyte", "taken_on"], name="labresult_by_day")]

    @property
    def unit(self) -> str:
        return STORED_UNIT[self.analyte]


class CourseNote(Withdrawable):
    """A dated note on the course, by whom and in which role; a letter in the picture stands for it."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="course_notes")
    on = models.DateField()
    words = models.CharField(max_length=300)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    role = models.CharField(max_length=12)
    at = models.DateTimeField()

    class Meta(Withdrawable.Meta):
        indexes = [models.Index(fields=["patient", "on"], name="course_note_by_day")]


class CheckDone(Withdrawable):
    """A check of the monitoring that was done and is no result here, such as eyes. by: None where it was sent."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="checks_done")
    check_name = models.CharField(max_length=20)
    on = models.DateField()
    words = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    at = models.DateTimeField()

    class Meta(Withdrawable.Meta):
        indexes = [models.Index(fields=["patient", "check_name", "on"], name="check_done_by_day")]
