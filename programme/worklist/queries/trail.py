"""Who saw and changed what, read back from the trail: of one person, or of everything at the unit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Count, Q

from patients.models import Analyte, Patient
from programme.core import seals, trail
from programme.core.models import Site, TrailEntry, User
from programme.core.reading import SAW
from programme.worklist.numeric.trail_words import changed, row_words

ON_A_PAGE = 200
SEEN, CHANGED = "seen", "changed"
CODES = {"analyte": {str(code): str(label) for code, label in Analyte.choices}}


@dataclass(frozen=True, slots=True)
class Asked:
    """What of the trail is asked for. by: the user's key. what: SEEN, CHANGED or '' for both. first, last: local days.

    below: only entries older than the one with this key.
    """

    first: date
    last: date
    by: int | None = None
    what: str = ""
    below: int | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One entry. at: local time. parts: (field, was, is) in words. looked: nothing was changed."""

    key: int
    number: int
    at: datetime
    who: str
    role: str
    did: str
    looked: bool
    patient_ref: str
    what: str
    parts: tuple[tuple[str, str, str], ...]
    why: str
    end: str


@dataclass(frozen=True, slots=True)
class TrailPage:
    """Entries newest first; older: how many more there are. users: how many people the span holds.

    unasked: entries that nobody at a screen made: arriving results, work of the night.
    faults: what is wrong with the person's own chains; checked: how many entries were looked at for that.
    """

    lines: tuple[Line, ...]
    older: int
    users: int
    unasked: int
    checked: int
    faults: tuple[str, ...]
    sealed_at: datetime | None
    sealed_end: str

    @property
    def oldest(self) -> int:
        return self.lines[-1].key

    @property
    def newest_end(self) -> str:
        return self.lines[0].end


def who_can_be_asked(site: Site) -> list[tuple[int, str]]:
    """Return key and name of everybody who ever signed in for the site; one query."""
    return list(User.objects.filter(site=site).order_by("full_name").values_list("pk", "full_name"))


def trail_page(site: Site, asked: Asked, *, patient: Patient | None = None, most: int = ON_A_PAGE) -> TrailPage:
    """Return what was asked for; `patient` of the same site, else everything at the site. 5 queries, 7 of a person."""
    zone = ZoneInfo(site.time_zone)
    found = _asked_for(site, asked, patient, zone)
    counted = found.aggregate(users=Count("actor", distinct=True), unasked=Count("pk", filter=Q(actor=None)))
    if asked.below is not None:
        found = found.filter(pk__lt=asked.below)
    rows = list(found.select_related("actor").order_by("-pk")[:most])
    names = {row.patient_key for row in rows if row.patient_key}
    refs = dict(Patient.objects.filter(site=site, pk__in=names).values_list("pk", "patient_ref"))
    older = found.filter(pk__lt=rows[-1].pk).count() if rows else 0
    own = None if patient is None else TrailEntry.objects.filter(patient_key=patient.pk)
    last = seals.seals_of(site).last()
    return TrailPage(
        lines=tuple(_line(row, refs, zone) for row in rows),
        older=older,
        users=counted["users"],
        unasked=counted["unasked"],
        checked=0 if own is None else own.count(),
        faults=() if own is None else tuple(trail.faults(own)),
        sealed_at=last.at.astimezone(zone) if last else None,
        sealed_end=last.hash if last else "",
    )


def _asked_for(site: Site, asked: Asked, patient: Patient | None, zone: ZoneInfo) -> trail.Entries:
    begins, ends = (datetime.combine(day, time(0), zone) for day in (asked.first, asked.last + timedelta(days=1)))
    found = TrailEntry.objects.filter(site=site, at__gte=begins, at__lt=ends)
    if patient is not None:
        found = found.filter(patient_key=patient.pk)
    if asked.by is not None:
        found = found.filter(actor=asked.by)
    if asked.what == SEEN:
        return found.filter(action=SAW)
    return found.exclude(action=SAW) if asked.what == CHANGED else found


def _line(row: TrailEntry, refs: dict[int, str], zone: ZoneInfo) -> Line:
    looked = row.action == SAW
    return Line(
        key=row.pk,
        number=row.number,
        at=row.at.astimezone(zone),
        who=row.actor.full_name if row.actor else "Ebbline",
        role=row.actor.role_words if row.actor else "",
        did=row.action,
        looked=looked,
        patient_ref=refs.get(row.patient_key or 0, ""),
        what=row.row_kind if looked else row_words(row.row_kind, row.row_key),
        parts=changed(row.before, row.after, CODES),
        why=row.why,
        end=row.hash,
    )
