"""What the pages of the inbox show."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from patients.models import Patient
from programme.core import look
from programme.core.models import Site
from programme.intake.models import (
    Became,
    InboxItem,
    InboxItemQuerySet,
    ItemState,
    MessageKind,
    RawMessage,
    ReadResult,
    Severity,
)
from programme.intake.numeric.arrivals import Arrival, arrival_of
from programme.intake.numeric.choices import TITLES, Choice, choices_for, near_keys
from programme.intake.numeric.codes import ALLOWED, ANTIBODY_SCREEN, BLOOD_GROUP, BY_ANALYTE
from programme.intake.queries.offered import offered, same_tube

NOT_NUMBERS = {BLOOD_GROUP: "blood group", ANTIBODY_SCREEN: "antibody screen"}
MOST_SHOWN = 200
MOST_LETTERS = 20_000
MARKS = {Severity.STOP: "stop", Severity.CHECK: "check", Severity.NOTE: "note"}


@dataclass(frozen=True, slots=True)
class Arrived:
    """One arrival in words."""

    name: str
    value: str
    unit: str
    taken_at: datetime | None
    time_known: bool
    status: str
    reference: str
    birth_date: date | None


@dataclass(frozen=True, slots=True)
class Line:
    """One item as the inbox lists it. safe: done in one touch; others: on the item's own page."""

    item: InboxItem
    mark: str
    word: str
    title: str
    arrived: Arrived | None
    people: tuple[Patient, ...]
    safe: Choice
    others: tuple[Choice, ...]

    @property
    def is_replaced(self) -> bool:
        """Its result was corrected or withdrawn by a person since, so that what it says is no longer so."""
        return getattr(self.item.result, "superseded_by", None) is not None

    @property
    def is_typed(self) -> bool:
        """A person typed it: no message came."""
        return self.item.raw.kind == MessageKind.HAND

    @property
    def decided(self) -> str:
        """What was decided, in words; empty where a later version decided it, which says so itself."""
        return next((one.words for one in (self.safe, *self.others) if one.code == self.item.choice), "")


@dataclass(frozen=True, slots=True)
class InboxPage:
    lines: tuple[Line, ...]
    waiting: int
    stops: int
    filed_today: int
    last_filed_at: datetime | None


@dataclass(frozen=True, slots=True)
class ReadLine:
    """One result of the message as it was read."""

    arrived: Arrived
    code: str
    became: str


@dataclass(frozen=True, slots=True)
class ItemPage:
    """One item opened: what can be decided, who may be meant, the message as it came and what was read from it.

    with_it: the other results of its sample, which are decided in the same touch.
    """

    line: Line
    choices: tuple[Choice, ...]
    raw: RawMessage
    text: str
    cut: bool
    read: tuple[ReadLine, ...]
    near: tuple[Patient, ...]
    sent: Arrival | None
    with_it: tuple[Arrived, ...]

    @property
    def named(self) -> tuple[Patient, ...]:
        """Everybody whom the page names: whose it is, and who may be meant."""
        return tuple(dict.fromkeys((*self.line.people, *self.near)))

    @property
    def asks_why(self) -> bool:
        return any(choice.asks_why for choice in self.choices)


def inbox_page(site: Site, now: datetime) -> InboxPage:
    """Return what waits, the most urgent first; a fixed number of queries."""
    items = list(_items(site).waiting().most_urgent_first()[:MOST_SHOWN])
    near = _near(site, items)
    lines = tuple(_line(item, near) for item in items)
    midnight = datetime.combine(now.date(), time(0), tzinfo=now.tzinfo)
    filed = ReadResult.objects.filter(site=site, became=Became.FILED)
    return InboxPage(
        lines=lines,
        waiting=len(lines),
        stops=sum(line.mark == "stop" for line in lines),
        filed_today=filed.filter(raw__received_at__gte=midnight).count(),
        last_filed_at=filed.order_by("-pk").values_list("raw__received_at", flat=True).first(),
    )


def settled_lines(site: Site) -> tuple[Line, ...]:
    """Return what was settled last, the newest first."""
    items = list(_items(site).filter(state=ItemState.SETTLED).order_by("-settled_at", "-pk")[:MOST_SHOWN])
    near = _near(site, items)
    return tuple(_line(item, near) for item in items)


def filed_lines(site: Site, now: datetime) -> list[ReadResult]:
    """Return what filed itself today, the newest first."""
    midnight = datetime.combine(now.date(), time(0), tzinfo=now.tzinfo)
    rows = ReadResult.objects.filter(site=site, became=Became.FILED, raw__received_at__gte=midnight)
    return list(rows.select_related("raw", "result__patient").order_by("-pk")[:MOST_SHOWN])


def item_of(site: Site, key: int) -> InboxItem | None:
    return _items(site).filter(pk=key).first()


def item_page(item: InboxItem) -> ItemPage:
    """Return one item with its message; a fixed number of queries."""
    near = _near(item.site, [item])
    body = bytes(item.raw.body).decode("utf-8", errors="replace").replace("\r\n", "\n").replace("\r", "\n")
    rows = ReadResult.objects.filter(raw=item.raw).order_by("number")[:MOST_SHOWN]
    return ItemPage(
        line=_line(item, near),
        choices=offered(item),
        raw=item.raw,
        text=body[:MOST_LETTERS],
        cut=len(body) > MOST_LETTERS,
        read=tuple(ReadLine(_arrived(row.said), row.said["code"], row.get_became_display()) for row in rows),
        near=tuple(near[key] for key in near_keys(item.about) if key in near),
        sent=None if item.read_result is None else arrival_of(item.read_result.said),
        with_it=tuple(_arrived(one.read_result.said) for one in same_tube(item, "accept").waiting() if one.read_result),
    )


def _items(site: Site) -> InboxItemQuerySet:
    rows = InboxItem.objects.filter(site=site)
    return rows.select_related("site", "raw", "read_result", "patient", "result__superseded_by", "settled_by")


def _near(site: Site, items: Iterable[InboxItem]) -> Mapping[int, Patient]:
    keys = {key for item in items for key in near_keys(item.about)}
    return Patient.objects.filter(site=site, pk__in=keys).in_bulk()


def _line(item: InboxItem, near: Mapping[int, Patient]) -> Line:
    people = [near[key] for key in near_keys(item.about) if key in near]
    names = [(one.pk, f"{one.shown_name}, {one.patient_ref}") for one in people]
    safe, *others = choices_for(item.reason, near=names, units=item.about.get("units", ()))
    return Line(
        item=item,
        mark=MARKS[Severity(item.severity)],
        word=Severity(item.severity).label,
        title=TITLES.get(item.reason, item.reason),
        arrived=_arrived_of(item),
        people=(item.patient,) if item.patient is not None else tuple(people),
        safe=safe,
        others=tuple(others),
    )


def _arrived_of(item: InboxItem) -> Arrived | None:
    """What was read of a message, or what a person typed; None where nothing could be read."""
    if item.read_result is not None:
        return _arrived(item.read_result.said)
    row = item.result
    if row is None or item.raw.kind != MessageKind.HAND:
        return None
    name, said = row.get_analyte_display(), look.hb_words(f"{row.value:g} {row.unit}")
    value, _, unit = said.partition(" ")
    return Arrived(name, value, unit, row.taken_at, row.time_known, row.status, "", None)


def _arrived(said: Mapping[str, Any]) -> Arrived:
    sent = arrival_of(dict(said))
    quantity = ALLOWED.get(sent.code) or BY_ANALYTE.get(sent.code)
    name = NOT_NUMBERS.get(sent.code) or (f"code {sent.code}" if quantity is None else quantity.name)
    value = f"{sent.comparator}{sent.value_text}"
    return Arrived(
        name, value, sent.unit, sent.taken_at, sent.time_known, sent.status, sent.reference, sent.birth_date
    )  # fmt: skip
