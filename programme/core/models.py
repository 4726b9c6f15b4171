"""What every stage stands on: users, sites and their settings, receipts and the trail."""

from __future__ import annotations

import unicodedata
from datetime import datetime
from typing import Any
from zoneinfo import available_timezones

from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.utils.crypto import salted_hmac

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
        columns = [field.attname for field in self._meta.concrete_fields if field.name in fields]
        values = {name: getattr(self, name) for name in columns}  # what a row points to need not be read
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
    ADMINISTRATOR = "administrator", "administrator"


def same_characters(text: str | None) -> str | None:
    """Return a text so that é is one é, whichever keyboard it was typed on (NIST SP 800-63B-4 (2025), 3.1.1.2)."""
    return None if text is None else unicodedata.normalize("NFKC", text)


class UserManager(BaseUserManager["User"]):
    def create_user(self, username: str, password: str, **fields: Any) -> User:
        user = self.model(username=username, **fields)
        user.set_password(password)
        user.full_clean(exclude=["password"])
        user.save(using=self._db)
        return user


class User(Versioned, AbstractBaseUser):
    """Someone who signs in, with one role at one site.

    initial_password_until: set while the password is one that an administrator was shown; it is changed at sign-in.
    """

    username = models.CharField(max_length=60, unique=True)
    full_name = models.CharField(max_length=120)
    role = models.CharField(max_length=16, choices=Role.choices)
    site = models.ForeignKey(Site, models.PROTECT, related_name="users")
    is_active = models.BooleanField(default=True)
    is_demo = models.BooleanField(default=False)
    dim_light = models.BooleanField(default=False)
    letter_keys = models.BooleanField(default=True)
    checking_pin = models.CharField(max_length=128, blank=True)
    initial_password_until = models.DateTimeField(null=True, blank=True)
    second_proof_salt = models.CharField(max_length=64, blank=True)
    second_proof_since = models.DateTimeField(null=True, blank=True)
    second_proof_last_step = models.BigIntegerField(default=0)

    objects = UserManager()

    USERNAME_FIELD = "username"
    REQUIRED_FIELDS = ["full_name", "role", "site"]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(role__in=Role.values),
                name="user_role_known",
                violation_error_message="A user is a nurse, a consultant, a coordinator or an administrator.",
            )
        ]

    def __str__(self) -> str:
        return self.full_name

    @property
    def role_words(self) -> str:
        return Role(self.role).label

    @property
    def has_second_proof(self) -> bool:
        return self.second_proof_since is not None

    @property
    def must_have_second_proof(self) -> bool:
        return self.role in settings.SECOND_PROOF_ROLES

    @property
    def owes_second_proof(self) -> bool:
        """Whether the person must set one up before anything else is shown."""
        return self.must_have_second_proof and not self.has_second_proof

    def first_password_ran_out(self, at: datetime) -> bool:
        """Whether the password is one that was shown to an administrator, and was not used in time."""
        return self.initial_password_until is not None and self.initial_password_until < at

    def set_password(self, raw_password: str | None) -> None:
        super().set_password(same_characters(raw_password))

    def check_password(self, raw_password: str | None) -> bool:
        return bool(super().check_password(same_characters(raw_password)))

    def get_session_auth_hash(self) -> str:
        """A new password and a new second proof end what was signed in before them elsewhere."""
        return salted_hmac("signed in", self.password + self.second_proof_salt, algorithm="sha256").hexdigest()


class GlassReason(models.TextChoices):
    EMERGENCY = "emergency", "admitted here as an emergency"
    TRANSFUSION = "transfusion", "red cells or an exchange are needed here"
    ADVICE = "advice", "their own unit asked for advice"
    OTHER = "other", "another reason"


class BrokenGlass(models.Model):
    """That somebody of another unit may read the pages of a person of `site` until a moment, and who there knows."""

    user = models.ForeignKey(User, models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, models.PROTECT, related_name="broken_glass")
    patient_key = models.BigIntegerField()
    kind = models.CharField(max_length=12, choices=GlassReason.choices)
    words = models.CharField(max_length=300)
    since = models.DateTimeField()
    until = models.DateTimeField()
    seen_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    seen_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["user", "until"], name="broken_glass_in_force"),
            models.Index(fields=["site"], condition=Q(seen_by=None), name="broken_glass_unseen"),
        ]


class EraseKind(models.TextChoices):
    TIME_OVER = "time_over", "the time for which the record is kept is over"
    OWN_WISH = "own_wish", "the person asked for it, and the time is over"
    MISTAKE = "mistake", "recorded by mistake; nothing was done and no blood given"


class Erasure(Versioned):
    """That a person's record is to be deleted: asked for by one, agreed by another, done after a wait, or withdrawn.

    It outlives the record, so it holds neither reference nor name. patient_key: no row points to the person.
    reference_digest: of the unit's own reference, under the secret key. rows: {table: how many}, once done.
    raw_keys: messages about nobody else, which go as well. left: what still holds something of the person, in words.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="erasures")
    patient_key = models.BigIntegerField()
    kind = models.CharField(max_length=10, choices=EraseKind.choices)
    reason = models.CharField(max_length=300)
    asked_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    agreed_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    agreed_at = models.DateTimeField(null=True, blank=True)
    due_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_why = models.CharField(max_length=300, blank=True)
    done_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    done_at = models.DateTimeField(null=True, blank=True)
    reference_digest = models.CharField(max_length=64, blank=True)
    rows = models.JSONField(default=dict, blank=True)
    raw_keys = models.JSONField(default=list, blank=True)
    left = models.JSONField(default=list, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient_key"],
                condition=Q(done_at=None, withdrawn_at=None),
                name="erasure_open_once",
                violation_error_message="It was asked already to erase this person; that is still open.",
            ),
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="erasure_has_reason",
                violation_error_message="Say why the record is to be erased.",
            ),
            models.CheckConstraint(
                condition=Q(agreed_by=None) | ~Q(agreed_by=F("asked_by")),
                name="erasure_two_people",
                violation_error_message="Who asked cannot agree: another consultant or an administrator does.",
            ),
            models.CheckConstraint(
                condition=Q(agreed_by=None, agreed_at=None, due_at=None)
                | Q(agreed_by__isnull=False, agreed_at__isnull=False, due_at__isnull=False)
                & Q(agreed_at__gte=F("asked_at"), due_at__gte=F("agreed_at")),
                name="erasure_agreed_whole",
                violation_error_message="Who agreed, when, and when it is due belong together and in this order.",
            ),
            models.CheckConstraint(
                condition=Q(withdrawn_at=None) | Q(withdrawn_by__isnull=False, done_at=None) & ~Q(withdrawn_why=""),
                name="erasure_withdrawn_whole",
                violation_error_message="Only what is not done is withdrawn, by somebody and with a reason.",
            ),
            models.CheckConstraint(
                condition=Q(done_at=None) | Q(agreed_by__isnull=False, done_at__gte=F("due_at")),
                name="erasure_done_when_due",
                violation_error_message="A record is erased once another person has agreed and the wait is over.",
            ),
        ]

    @property
    def is_open(self) -> bool:
        return self.done_at is None and self.withdrawn_at is None

    def is_due(self, at: datetime) -> bool:
        return self.is_open and self.due_at is not None and self.due_at <= at

    @property
    def number(self) -> str:
        """What a paper calls it: it says nothing of the person."""
        return f"E{self.pk:05d}"


class Withdrawable(models.Model):
    """A row that is never deleted: it can be withdrawn once, by somebody, with a reason."""

    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        abstract = True
        constraints = [
            models.CheckConstraint(
                condition=Q(withdrawn_at__isnull=True) | ~Q(withdrawn_reason=""),
                name="%(class)s_withdrawn_has_reason",
                violation_error_message="Withdrawing needs a reason.",
            )
        ]


class SignInTries(models.Model):
    """Sign-ins in a row that failed for one name from one source; gone once the name signs in.

    Name and address are kept as keyed hashes: what was typed as a name may have been a password.
    """

    account = models.CharField(max_length=64)
    source = models.CharField(max_length=64)
    user = models.ForeignKey(User, models.CASCADE, null=True, related_name="+")
    failures = models.PositiveIntegerField(default=0)
    last_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["account", "source"], name="sign_in_tries_once")]
        indexes = [models.Index(fields=["last_at"], name="sign_in_tries_by_age")]


class KnownBrowser(models.Model):
    """A browser on which somebody has signed in; it holds a secret of which only the hash is here."""

    user = models.ForeignKey(User, models.CASCADE, related_name="known_browsers")
    secret_hash = models.CharField(max_length=64)
    last_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["user", "secret_hash"], name="known_browser_once")]
        indexes = [models.Index(fields=["secret_hash"], name="known_browser_by_secret")]


class SignedIn(models.Model):
    """Where somebody signed in: what a list of the own sign-ins says, and the session that ending one deletes."""

    user = models.ForeignKey(User, models.CASCADE, related_name="sign_ins")
    session_key = models.CharField(max_length=40, unique=True)
    since = models.DateTimeField()
    address = models.CharField(max_length=60, blank=True)
    is_handheld = models.BooleanField(default=False)


class OutsideAccount(models.Model):
    """The account with a provider by which somebody may sign in, by the provider's own name for it: never an e-mail."""

    user = models.OneToOneField(User, models.CASCADE, related_name="outside_account")
    issuer = models.CharField(max_length=300)
    subject = models.CharField(max_length=255)
    since = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["issuer", "subject"],
                name="outside_account_once",
                violation_error_message="This account signs somebody in here already; take it from them first.",
            )
        ]


class RecoveryCode(models.Model):
    """One of the codes that stand in for the telephone once each; only its hash is kept."""

    user = models.ForeignKey(User, models.CASCADE, related_name="recovery_codes")
    code_hash = models.CharField(max_length=128)
    used_at = models.DateTimeField(null=True)


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
        indexes = [
            models.Index(fields=["patient_key", "number"], name="trail_by_patient"),
            models.Index(fields=["site", "at"], name="trail_by_day"),
        ]
