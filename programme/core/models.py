"""What every stage stands on: users, sites and their settings, receipts and the trail."""

from __future__ import annotations

from typing import Any
from zoneinfo import available_timezones

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from programme.core.numeric.setting_table import SETTINGS


class EditedMeanwhile(Exception):
    """Somebody else saved the row after it was opened; nothing was overwritten."""


class Versioned(models.Model):
    """A row that people edit: each save checks the version it was read at, and raises it."""

    version = models.PositiveIntegerField(default=1)

    class Meta:
        abstract = True

    def save_changes(self, fields: list[str]) -> None:
        """Write `fields` if the row still has this version; raise EditedMeanwhile if not."""
        values = {name: getattr(self, name) for name in fields}
        rows = type(self)._default_manager.filter(pk=self.pk, version=self.version)
        changed = rows.update(**values, version=self.version + 1)
        if not changed:
            raise EditedMeanwhile(
                f"This {self._meta.verbose_name} was changed by someone else after you opened it. "
                "Nothing of yours was saved; look at the new values and enter yours again."
            )
        self.version += 1


def check_time_zone(value: str) -> None:
    if value not in available_timezones():
        raise ValidationError(f"{value!r} is not a time zone; write one such as Europe/London.")


class Site(Versioned):
    """A day unit: people see their own site's patients."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=60, default="Europe/London", validators=[check_time_zone])
    country = models.CharField(max_length=2, default="GB")
    region = models.CharField(max_length=6, blank=True, default="ENG")
    shows_g_dl = models.BooleanField(default=False)

    def __str__(self) -> str:
        return self.name


def between(field: str, low: float, high: float, unit: str, *, empty: bool = False) -> models.CheckConstraint:
    """Return a constraint that holds `field` within [low, high]; its message says what is allowed."""
    inside = Q(**{f"{field}__gte": low, f"{field}__lte": high})
    shown = unit.replace("%", "%%")
    return models.CheckConstraint(
        condition=inside | Q(**{f"{field}__isnull": True}) if empty else inside,
        name=f"%(class)s_{field}_range",
        violation_error_message=f"{field}: allowed is {low:g} to {high:g} {shown}.",
    )


class SiteSettingQuerySet(models.QuerySet["SiteSetting"]):
    def newest_first(self) -> SiteSettingQuerySet:
        return self.order_by("-since", "-pk")


class SiteSetting(models.Model):
    """One dated value of one setting of a site, with who and why; the newest counts."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="setting_rows")
    name = models.CharField(max_length=60)
    value = models.FloatField()
    since = models.DateTimeField()
    by = models.ForeignKey("core.User", models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=400)

    objects = SiteSettingQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["site", "name", "since"], name="site_setting_newest")]

    def clean(self) -> None:
        row = SETTINGS.get(self.name)
        if row is None:
            raise ValidationError({"name": f"{self.name!r} is not a setting; known are {', '.join(sorted(SETTINGS))}."})
        try:
            row.check(self.value)
        except ValueError as error:
            raise ValidationError({"value": str(error)}) from error


class SiteText(models.Model):
    """One dated wording of a text that a site writes itself, with who and why; the newest counts."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="text_rows")
    name = models.CharField(max_length=60)
    text = models.TextField(max_length=4000)
    since = models.DateTimeField()
    by = models.ForeignKey("core.User", models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=400)

    class Meta:
        indexes = [models.Index(fields=["site", "name", "since"], name="site_text_newest")]


class Role(models.TextChoices):
    NURSE = "nurse", "specialist nurse"
    CONSULTANT = "consultant", "consultant"
    COORDINATOR = "coordinator", "booking coordinator"


class UserManager(BaseUserManager["User"]):
    def create_user(self, username: str, password: str, **fields: Any) -> User:
        user = self.model(username=username, **fields)
        user.set_password(password)
        user.full_clean(exclude=["password"])
        user.save(using=self._db)
        return user


class User(AbstractBaseUser):
    """Someone who signs in, with one role at one site."""

    username = models.CharField(max_length=60, unique=True)
    full_name = models.CharField(max_length=120)
    role = models.CharField(max_length=12, choices=Role.choices)
    site = models.ForeignKey(Site, models.PROTECT, related_name="users")
    is_active = models.BooleanField(default=True)
    is_demo = models.BooleanField(default=False)
    dim_light = models.BooleanField(default=False)
    letter_keys = models.BooleanField(default=True)
    checking_pin = models.CharField(max_length=128, blank=True)

    objects = UserManager()

    USERNAME_FIELD = "username"
    REQUIRED_FIELDS = ["full_name", "role", "site"]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(role__in=Role.values),
                name="user_role_known",
                violation_error_message="A user is a nurse, a consultant or a coordinator.",
            )
        ]

    def __str__(self) -> str:
        return self.full_name

    @property
    def role_words(self) -> str:
        return Role(self.role).label


class Receipt(models.Model):
    """One-time key of a writing form: the second arrival of the same key finds what the first one did."""

    key = models.CharField(max_length=64, unique=True)
    actor = models.ForeignKey(User, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    action = models.CharField(max_length=60)
    outcome = models.CharField(max_length=300, blank=True)


class TrailEntry(models.Model):
    """One entry of the append-only trail, chained by hash within `chain` (a patient, or a site's own affairs)."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="+")
    chain = models.CharField(max_length=40)
    number = models.PositiveIntegerField()
    patient_key = models.BigIntegerField(null=True)
    actor = models.ForeignKey(User, models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()
    action = models.CharField(max_length=60)
    why = models.CharField(max_length=400, blank=True)
    row_kind = models.CharField(max_length=60)
    row_key = models.BigIntegerField(null=True)
    row_version = models.PositiveIntegerField(null=True)
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)
    previous_hash = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["chain", "number"], name="trail_number_once")]
        indexes = [models.Index(fields=["patient_key", "number"], name="trail_by_patient")]
