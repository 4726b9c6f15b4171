"""What stands against erasing a person's record, what it consists of, and what somebody who agrees is shown of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.db.models import Q, QuerySet
from django.utils.crypto import salted_hmac

from patients.models import Patient, Standing
from patients.services import local_day
from programme.booking.models import STANDING as BOOKED
from programme.booking.models import Booking
from programme.core.backups import erased_since
from programme.core.models import EraseKind, Erasure, Site, User
from programme.core.settings_of_site import site_settings
from programme.custody.numeric.retention import Kept, Known
from programme.custody.queries.everything import rows_of
from programme.custody.queries.held import HELD
from programme.custody.queries.kept import kept_line
from programme.intake.models import InboxItem, InboxItemQuerySet, ReadResult
from programme.supply.models import BloodOrder, SuppliedUnit
from sessions.models import ExchangeSession, State

ALSO_GONE = {
    "core.Receipt": "One-time keys of forms",
    "intake.RawMessage": "Messages as they came",
    "intake.Reading": "How far messages were read",
}
ENDED = (State.CLOSED, State.CANCELLED, State.ABANDONED)


@dataclass(frozen=True, slots=True)
class Step:
    """Who did one step of an erasure, and when; who: '' for the nightly run."""

    who: str
    role: str
    at: datetime


@dataclass(frozen=True, slots=True)
class ErasurePage:
    """What is shown to whoever agrees: no word of the record itself.

    patient_ref: '' once it is done or withdrawn. rows: (kind of row, how many). left: what stays, against: why it
    cannot be done now, both in sentences.
    """

    key: int
    number: str
    unit: str
    patient_key: int
    patient_ref: str
    ground: str
    reason: str
    asked: Step
    asked_by_key: int
    agreed: Step | None
    due_at: datetime | None
    withdrawn: Step | None
    withdrawn_why: str
    done: Step | None
    digest: str
    rows: tuple[tuple[str, int], ...]
    left: tuple[str, ...]
    kept: Kept | None
    against: tuple[str, ...]
    is_due: bool
    wait_days: int

    @property
    def is_open(self) -> bool:
        return self.done is None and self.withdrawn is None


def erasures_of(site: Site) -> QuerySet[Erasure]:
    """Return all that was ever asked at a unit, the newest first."""
    rows = Erasure.objects.filter(site=site).select_related("asked_by", "agreed_by", "withdrawn_by", "done_by")
    return rows.order_by("-asked_at", "-pk")


def person_of(erasure: Erasure) -> Patient | None:
    """Return whose record it is about; None once it is erased."""
    return Patient.objects.select_related("site").filter(pk=erasure.patient_key, site_id=erasure.site_id).first()


def erasure_page(erasure: Erasure, at: datetime) -> ErasurePage:
    """Return what is shown of an erasure. A fixed number of queries while it is open."""
    patient = person_of(erasure) if erasure.is_open else None
    wait = int(site_settings(erasure.site, at)["erasure_wait_days"])
    asked = Step(erasure.asked_by.full_name, erasure.asked_by.role_words, erasure.asked_at)
    return ErasurePage(
        key=erasure.pk, number=erasure.number, unit=erasure.site.name, patient_key=erasure.patient_key,
        patient_ref="" if patient is None else patient.patient_ref, ground=erasure.get_kind_display(),
        reason=erasure.reason, asked=asked, asked_by_key=erasure.asked_by_id,
        agreed=_step(erasure.agreed_by, erasure.agreed_at), due_at=erasure.due_at,
        withdrawn=_step(erasure.withdrawn_by, erasure.withdrawn_at), withdrawn_why=erasure.withdrawn_why,
        done=_step(erasure.done_by, erasure.done_at), digest=erasure.reference_digest,
        rows=_rows_gone(erasure) if patient is None else counts_of(patient), left=tuple(erasure.left),
        kept=None if patient is None else kept_line(patient, at).kept,
        against=() if patient is None else against(patient, erasure.kind, at), is_due=erasure.is_due(at),
        wait_days=wait,
    )  # fmt: skip


def _step(by: User | None, at: datetime | None) -> Step | None:
    return None if at is None else Step(by.full_name if by else "", by.role_words if by else "", at)


def _rows_gone(erasure: Erasure) -> tuple[tuple[str, int], ...]:
    """Return what went, by kind; rows that are in no export are named as their table is."""
    titles = {held.table: held.title for held in HELD} | ALSO_GONE
    return tuple((title, erasure.rows[table]) for table, title in titles.items() if table in erasure.rows)


def counts_of(patient: Patient) -> tuple[tuple[str, int], ...]:
    """Return how many rows of each kind a person has, as far as there are any."""
    counted = ((held.title, rows_of(held, patient).count()) for held in HELD)
    return tuple((title, count) for title, count in counted if count)


def against(patient: Patient, kind: str, at: datetime) -> tuple[str, ...]:
    """Return every reason why a person's record cannot be erased at a moment, none where it can."""
    return tuple(filter(None, (*_time(patient, kind, at), *_open(patient, at))))


@dataclass(frozen=True, slots=True)
class Before:
    """What whoever asks for an erasure sees first: what stands against it, whatever the ground, and what would go."""

    against: tuple[str, ...]
    counts: tuple[tuple[str, int], ...]


def before_asking(patient: Patient, at: datetime) -> Before:
    """Return what stands against erasing somebody as things are, and how many rows of each kind there are."""
    return Before(against(patient, EraseKind.TIME_OVER, at), counts_of(patient))


def _time(patient: Patient, kind: str, at: datetime) -> Iterator[str]:
    """What keeps the record by its age; a mistake without blood need not be kept."""
    if patient.standing != Standing.LEFT:
        yield f"They are {patient.get_standing_display()}; only the record of somebody who has left is erased."
    line = kept_line(patient, at)
    if kind == EraseKind.MISTAKE:
        if line.known.last_blood is not None:
            yield "A session was carried out or red cells were given, so this is no mere mistake: " + _blood(line.known)
        return
    until = line.kept.until
    if until is None:
        yield f"Until when the record must be kept cannot be said: {line.kept.because}."
    elif until >= local_day(at, patient.site):
        yield f"The record must be kept until {until:%-d %b %Y}: {line.kept.because}."


def _blood(known: Known) -> str:
    return f"each donation must stay traceable for thirty years, here from {known.last_blood:%-d %b %Y}."


def _open(patient: Patient, at: datetime) -> Iterator[str]:
    """What is still under way, and what others would lose."""
    today = local_day(at, patient.site)
    others_units = SuppliedUnit.objects.filter(order__patient=patient).exclude(given_to=None).exclude(given_to=patient)
    for rows, one, many in (
        (ExchangeSession.objects.filter(patient=patient).exclude(state__in=ENDED),
         "A session is not ended: close or cancel it.", "{} sessions are not ended: close or cancel them."),
        (Booking.objects.filter(patient=patient, state__in=BOOKED, on__gte=today),
         "A place is booked: cancel it.", "{} places are booked: cancel them."),
        (BloodOrder.objects.open().filter(patient=patient),
         "An order for blood is open: end it.", "{} orders for blood are open: end them."),
        (items_of(patient).waiting(),
         "Something about them waits in the inbox: settle it.", "{} things about them wait in the inbox: settle them."),
        (others_units,
         "A unit that came on their order was given to somebody else, who can be found only through it.",
         "{} units that came on their orders were given to somebody else, who can be found only through them."),
    ):  # fmt: skip
        count = rows.count()
        if count:
            yield one if count == 1 else many.format(count)


def results_read_of(patient: Patient) -> QuerySet[ReadResult]:
    """Return what was read about a person: what became theirs, was decided about, or was sent under their reference."""
    named = Q(site_id=patient.site_id, said__reference=patient.patient_ref)
    theirs = Q(result__patient=patient) | Q(inbox_items__patient=patient) | named
    return ReadResult.objects.filter(pk__in=ReadResult.objects.filter(theirs).order_by().values("pk"))


def items_of(patient: Patient) -> InboxItemQuerySet:
    """Return what arrived and waited for a person to decide, about this one."""
    named = Q(site_id=patient.site_id, read_result__said__reference=patient.patient_ref)
    theirs = Q(patient=patient) | Q(result__patient=patient) | Q(read_result__result__patient=patient) | named
    return InboxItem.objects.filter(theirs)


def due(at: datetime) -> list[Erasure]:
    """Return what is agreed, over its wait, and neither done nor withdrawn, of all units."""
    rows = Erasure.objects.filter(due_at__lte=at, done_at=None, withdrawn_at=None).exclude(agreed_by=None)
    return list(rows.select_related("site").order_by("due_at", "pk"))


def back_again(folder: Path) -> list[tuple[str, str, Patient]]:
    """Return number, day and person of every record that is here though the list in a folder says it was erased.

    The key of a row may have been given anew since, so the digest of the reference must fit as well.
    """
    found = []
    for one in erased_since(folder):
        patient = Patient.objects.select_related("site").filter(pk=one["person"], site__code=one["site"]).first()
        if patient is not None and digest_of(patient.patient_ref, one["site"]) == one["reference"]:
            found.append((str(one["number"]), str(one["erased_at"])[:10], patient))
    return found


def digest_of(patient_ref: str, site_code: str) -> str:
    """Return what is kept of a reference: without the secret key nobody can try out which one it was."""
    return salted_hmac("erased reference", f"{site_code}:{patient_ref}", algorithm="sha256").hexdigest()
