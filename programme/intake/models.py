"""What arrives: messages kept as they came, what was read from them, and what waits for a person."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import models
from django.db.models import Q

from patients.models import LabResult, Patient
from programme.core.models import Site, User, Versioned


class Sender(Versioned):
    """Who may send results to a unit. trusts_references: its references count without a birth date beside them.

    token_digest: SHA-256 of the token it sends with by FHIR; empty where it has none. token_kinds: what it may send
    with it, parted by blanks. A token that has ended opens nothing; by HL7 the sender is still known by its name.
    old_…: the token before, which opens until `old_until`, or that of a revoked sender; the sender is known by it.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="senders")
    name = models.CharField(max_length=60)
    trusts_references = models.BooleanField(default=False)
    is_active = models.BooleanField(default=True)
    token_digest = models.CharField(max_length=64, blank=True)
    token_kinds = models.CharField(max_length=60, blank=True)
    token_since = models.DateTimeField(null=True, blank=True)
    token_until = models.DateTimeField(null=True, blank=True)
    token_used_at = models.DateTimeField(null=True, blank=True)
    old_digest = models.CharField(max_length=64, blank=True)
    old_kinds = models.CharField(max_length=60, blank=True)
    old_until = models.DateTimeField(null=True, blank=True)
    old_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "name"],
                name="sender_name_once_a_site",
                violation_error_message="A sender of this name is listed already.",
            ),
            models.UniqueConstraint(fields=["token_digest"], condition=~Q(token_digest=""), name="sender_token_once"),
            models.UniqueConstraint(fields=["old_digest"], condition=~Q(old_digest=""), name="sender_old_token_once"),
            models.CheckConstraint(
                condition=Q(token_digest="") | Q(token_until__isnull=False) & ~Q(token_kinds=""),
                name="sender_token_ends",
                violation_error_message="A token has a day on which it ends, and says what may be sent with it.",
            ),
            models.CheckConstraint(
                condition=Q(old_digest="") | Q(old_until__isnull=False) & ~Q(old_kinds=""),
                name="sender_old_token_ends",
                violation_error_message="An old token has a moment at which it ends, and says what may be sent.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def kinds(self) -> tuple[str, ...]:
        return tuple(self.token_kinds.split())

    def token_has_ended(self, at: datetime) -> bool:
        return self.token_until is None or self.token_until <= at

    def old_token_opens(self, at: datetime) -> bool:
        return self.is_active and self.old_until is not None and self.old_until > at

    @property
    def still_uses_old_token(self) -> bool:
        """Whether the old token was used since there is a new one, and the new one never."""
        if self.token_used_at is not None or self.old_used_at is None or self.token_since is None:
            return False
        return self.old_used_at >= self.token_since


class MessageKind(models.TextChoices):
    CSV = "csv", "a file of results"
    HL7 = "hl7", "an HL7 message"
    FHIR = "fhir", "a FHIR resource"
    HAND = "hand", "entered by hand"


class RawMessage(models.Model):
    """A message exactly as it came; triggers refuse every change. The same content under the same id is kept once."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="raw_messages")
    sender = models.CharField(max_length=60)
    kind = models.CharField(max_length=4, choices=MessageKind.choices)
    message_id = models.CharField(max_length=200)
    digest = models.CharField(max_length=64)
    body = models.BinaryField()
    received_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "sender", "message_id", "digest"], name="raw_message_once")
        ]


class Refusal(models.Model):
    """Why something that was sent was not kept, how often and when last: its sender heard it, and perhaps nobody else.

    sender: under what name it came, '' where it named none.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="+")
    sender = models.CharField(max_length=60, blank=True)
    kind = models.CharField(max_length=4, choices=MessageKind.choices)
    words = models.CharField(max_length=200)
    times = models.PositiveIntegerField(default=1)
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "sender", "kind", "words"], name="refusal_once_a_reason"),
            models.CheckConstraint(
                condition=Q(times__gt=0),
                name="refusal_happened",
                violation_error_message="A refusal is kept once it has happened, so its count is 1 or more.",
            ),
        ]
        indexes = [models.Index(fields=["site", "-last_at"], name="refusal_latest")]


class ReadingState(models.TextChoices):
    WAITING = "waiting", "waits to be read"
    READ = "read", "read"
    UNREADABLE = "unreadable", "cannot be read"


LEASE = timedelta(minutes=2)
"""So long a reader holds a message; one that was killed gives it up by that."""


class ReadingQuerySet(models.QuerySet["Reading"]):
    def free(self, at: datetime) -> ReadingQuerySet:
        """Those that nobody reads now: never taken, or taken by a worker whose lease ran out.

        A lease that ends further ahead than any given now was given by a clock that has been set back since.
        """
        run_out = Q(lease_until__lt=at) | Q(lease_until__gt=at + 2 * LEASE)
        return self.filter(state=ReadingState.WAITING).filter(Q(lease_until__isnull=True) | run_out)


class Reading(models.Model):
    """How far the reading of one message is; taken by conditional update, so a killed reader loses nothing."""

    raw = models.OneToOneField(RawMessage, models.PROTECT, related_name="reading")
    state = models.CharField(max_length=10, choices=ReadingState.choices, default=ReadingState.WAITING)
    lease_until = models.DateTimeField(null=True, blank=True)
    attempt = models.PositiveIntegerField(default=0)
    read_at = models.DateTimeField(null=True, blank=True)
    fault = models.CharField(max_length=400, blank=True)

    objects = ReadingQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["state", "lease_until"], name="reading_waiting")]


class Became(models.TextChoices):
    """What became of one result of a message."""

    FILED = "filed", "filed"
    HELD = "held", "stored and held"
    WAITS = "waits", "waits for a person"
    SAME = "same", "known already"
    OVERTAKEN = "overtaken", "overtaken by a later version"
    NOTED = "noted", "agrees with what is recorded"
    IGNORED = "ignored", "ignored, as agreed here"


class ReadResult(models.Model):
    """One result of a message as read, in order, and what became of it. digest: of all that it says but its place."""

    raw = models.ForeignKey(RawMessage, models.PROTECT, related_name="read_results")
    number = models.PositiveIntegerField()
    site = models.ForeignKey(Site, models.PROTECT, related_name="+")
    source = models.CharField(max_length=60)
    sent_id = models.CharField(max_length=120)
    status = models.CharField(max_length=12)
    digest = models.CharField(max_length=64)
    said = models.JSONField()
    became = models.CharField(max_length=10, choices=Became.choices)
    result = models.ForeignKey(LabResult, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["raw", "number"], name="read_result_once")]
        indexes = [models.Index(fields=["site", "source", "sent_id"], name="read_result_by_id")]


class ItemState(models.TextChoices):
    OPEN = "open", "waits"
    SETTLED = "settled", "settled"
    UNDONE = "undone", "waits again, a decision was taken back"


class Severity(models.IntegerChoices):
    STOP = 1, "Stop"
    CHECK = 2, "Check"
    NOTE = 3, "Note"


class InboxItemQuerySet(models.QuerySet["InboxItem"]):
    def waiting(self) -> InboxItemQuerySet:
        return self.exclude(state=ItemState.SETTLED)

    def most_urgent_first(self) -> InboxItemQuerySet:
        return self.order_by("severity", "-at", "-pk")


class InboxItem(Versioned):
    """Something that arrived and needs a person: what, whose, why. about: figures for the choices, by reason.

    read_result: None where the message could not be read at all. patient: who it is about as far as that is certain.
    choice, outcome: what was decided, and what must be taken back when the decision is undone.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="inbox_items")
    raw = models.ForeignKey(RawMessage, models.PROTECT, related_name="inbox_items")
    read_result = models.ForeignKey(ReadResult, models.PROTECT, null=True, blank=True, related_name="inbox_items")
    patient = models.ForeignKey(Patient, models.PROTECT, null=True, blank=True, related_name="inbox_items")
    result = models.ForeignKey(LabResult, models.PROTECT, null=True, blank=True, related_name="inbox_items")
    severity = models.PositiveSmallIntegerField(choices=Severity.choices)
    reason = models.CharField(max_length=24)
    sentence = models.CharField(max_length=600)
    about = models.JSONField(default=dict)
    at = models.DateTimeField()
    state = models.CharField(max_length=8, choices=ItemState.choices, default=ItemState.OPEN)
    choice = models.CharField(max_length=16, blank=True)
    why = models.CharField(max_length=200, blank=True)
    outcome = models.JSONField(default=dict)
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")

    objects = InboxItemQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="settled") | (Q(settled_at__isnull=False) & ~Q(choice="")),
                name="inbox_settled_says_how",
                violation_error_message="Settling an item needs a choice and a time.",
            )
        ]
        indexes = [models.Index(fields=["site", "state", "severity"], name="inbox_waiting")]


class LocalCode(Versioned):
    """A code of a unit's own laboratory for one analyte, from a day on; `until` ends it. unit: where none is sent.

    analyte: empty where results under this code are ignored; they stay in their message, and nothing waits.
    """

    site = models.ForeignKey(Site, models.PROTECT, related_name="local_codes")
    code = models.CharField(max_length=40)
    analyte = models.CharField(max_length=10, blank=True)
    unit = models.CharField(max_length=16, blank=True)
    since = models.DateField()
    until = models.DateField(null=True, blank=True)
    reason = models.CharField(max_length=200)
    by = models.ForeignKey(User, models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "code"],
                condition=Q(until__isnull=True),
                name="local_code_once",
                violation_error_message="This code is listed already; end that first.",
            ),
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="local_code_has_reason",
                violation_error_message="Say who agreed this code and where it is written.",
            ),
        ]
