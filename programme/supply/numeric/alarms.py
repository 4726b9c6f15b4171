"""What is loud about an order: what was ordered, held against what is needed now."""

from dataclasses import dataclass, field
from datetime import date, datetime

from programme.core.numeric.words import count_of
from programme.supply.numeric.groups import GroupSamples
from programme.supply.numeric.needs import OrderNeeds, changed_needs
from programme.supply.numeric.orders import ARRIVED, CONFIRMED, DRAFTED, PART, SENT
from programme.supply.numeric.unfit import Unfit

STOP, CHECK, NOTE = "stop", "check", "note"
NEAR_DAYS = 3
"""Units reckoned for a day so near to the booked one count as reckoned for it: HbS rises 1 to 3 points. Chosen here."""


KINDS = (
    "not_come", "given_elsewhere", "moved", "no_booking", "released", "late", "needs", "untold", "group",
    "group_differs", "unlike", "expired", "sample", "held", "answer", "missing", "due", "time", "units", "other_day",
    "unstated",
)  # fmt: skip
"""What an alarm can be about, most pressing first. Chosen here: what leaves the chair without blood goes first."""
OF_RECORDS = ("one_sample", "elsewhere")
"""About records that most orders may lack at once; after all the others, whatever their level."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something about an order that somebody must see. level: stop, check or note; kind: what it is about."""

    level: str
    kind: str
    words: str

    @property
    def rank(self) -> tuple[bool, int, int]:
        """The order of alarms, smallest first: what is of records last, then by level, then by kind."""
        of_records = self.kind in OF_RECORDS
        kinds = OF_RECORDS if of_records else KINDS
        return of_records, (STOP, CHECK, NOTE).index(self.level), kinds.index(self.kind)


@dataclass(frozen=True, slots=True)
class OrderFacts:
    """An order as it stands, beside what holds now.

    units, confirmed, here: ordered, confirmed, arrived and not put away; given: of the order, to its person. units_now:
    by the plan of today, None where there is none, with `no_plan` for the reason. planned_for: the day that plan was
    reckoned for, where it is not the booked one. starts: by the booking of today.
    standing: its booking stands. moved_to: day of the booking that took its place. needs_now: as recorded now.
    sample_holds: the newest sample holds at the start, None where none was taken for it yet. can_sample: a sample can
    still be taken in time. to_tell: what was changed since it was sent, of which the blood bank was not told. unfit:
    what speaks against the units that are here. group: samples that found the person's group, of which
    group_samples_needed confirm it. held_until: so long the blood bank keeps the units. elsewhere_on: the day on which
    antibodies known elsewhere were last asked for, every elsewhere_days; 0: not asked. answer_by: the working day
    before the start, the last on which the blood bank can be asked in its usual hours.
    """

    state: str
    units: int
    confirmed: int
    here: int
    units_now: int | None
    for_at: datetime
    starts: datetime
    standing: bool
    needs: OrderNeeds
    needs_now: OrderNeeds
    order_by: date
    answer_by: date
    sent_on: date | None
    sample_holds: bool | None
    can_sample: bool
    moved_to: date | None = None
    booking_words: str = ""
    given_elsewhere: int = 0
    given: int = 0
    no_plan: str = ""
    planned_for: date | None = None
    to_tell: str = ""
    unfit: Unfit = field(default_factory=Unfit)
    group: GroupSamples = field(default_factory=GroupSamples)
    group_samples_needed: int = 0
    held_until: datetime | None = None
    elsewhere_on: date | None = None
    elsewhere_days: int = 0

    @property
    def missing(self) -> int:
        """How many of an order of which some came are not here and were not given."""
        return self.absent if self.state == ARRIVED else 0

    @property
    def absent(self) -> int:
        """How many of what was ordered are neither here nor given, whatever became of the order."""
        return max(self.units - self.here - self.given, 0)


def alarms(facts: OrderFacts, *, today: date, now: datetime, answer_days: int) -> tuple[Alarm, ...]:
    """Return what is loud about an open order, most pressing first.

    answer_days: a sent order without any answer is telephoned about after so many days, and from the working day before
    its start in any case.
    """
    found = [
        *_booking(facts),
        *_untold(facts),
        *_changed(facts),
        *_units(facts),
        *_held(facts, now),
        *_group(facts, today),
        *_sample(facts, now),
        *_elsewhere(facts, today),
        *_ordering(facts, today, answer_days),
        *_not_come(facts, today, now),
    ]
    return tuple(sorted(found, key=lambda alarm: alarm.rank))


def _booking(facts: OrderFacts) -> list[Alarm]:
    held = f"{facts.here} unit{'s' * (facts.here != 1)} here" if facts.here else "the order"
    found = []
    if facts.given_elsewhere:
        words = f"{facts.given_elsewhere} of its units went to another person than it was ordered for."
        found.append(Alarm(STOP, "given_elsewhere", words))
    if facts.moved_to is not None:
        words = f"The booking moved to {_day(facts.moved_to)}: move {held} with it, or release."
        return [*found, Alarm(STOP, "moved", words)]
    if not facts.standing:
        return [*found, Alarm(STOP, "no_booking", f"{facts.booking_words}: move or release {held}.")]
    if facts.for_at != facts.starts:
        words = f"Ordered for {_moment(facts.for_at)}, booked for {_moment(facts.starts)}: renew the order."
        found.append(Alarm(CHECK, "time", words))
    return found


def _changed(facts: OrderFacts) -> list[Alarm]:
    found = []
    changes = changed_needs(facts.needs, facts.needs_now)
    if changes:
        found.append(Alarm(STOP, "needs", f"Needs changed after ordering: {'; '.join(changes)}."))
    if facts.units_now is not None and facts.units_now != facts.units:
        words = f"The plan is now {count_of(facts.units_now or 0, 'unit')}; {facts.units} are on the order."
        found.append(Alarm(CHECK, "units", words))
    if facts.units_now is None:
        found.append(Alarm(CHECK, "units", f"No units are planned now: {facts.no_plan}"))
    if facts.units_now is not None:
        found += other_day(facts.planned_for, facts.starts.date())
    if not (facts.needs_now.abo and facts.needs_now.rhd):
        found.append(Alarm(STOP, "group", "Group or D type is not recorded: nothing can be matched."))
    return found


def other_day(planned_for: date | None, booked: date) -> list[Alarm]:
    """Return what is loud where units were reckoned for a day that is not near the booked one; else nothing."""
    if planned_for is None or abs((booked - planned_for).days) <= NEAR_DAYS:
        return []
    away = (booked - planned_for).days
    where = f"{count_of(abs(away), 'day')} {'earlier' if away > 0 else 'later'}"
    words = f"Units are reckoned for {_day(planned_for)}, {where}: ask a prescriber how many {_day(booked)} takes."
    return [Alarm(CHECK, "other_day", words)]


def _untold(facts: OrderFacts) -> list[Alarm]:
    if not facts.to_tell:
        return []
    return [Alarm(STOP, "untold", f"Changed, and the blood bank is not told yet: {facts.to_tell}.")]


def _units(facts: OrderFacts) -> list[Alarm]:
    """What speaks against the units that are here: the order is not ready while something does."""
    found = []
    if facts.unfit.refused:
        words = f"The chair will refuse {'; '.join(facts.unfit.refused)} Ask the blood bank for another."
        found.append(Alarm(STOP, "unlike", words))
    if facts.unfit.expired:
        words = f"{'; '.join(facts.unfit.expired)}, before the session: ask the blood bank for another."
        found.append(Alarm(STOP, "expired", words))
    if facts.unfit.unstated:
        words = f"Not entered on arrival, {'; '.join(facts.unfit.unstated)}: read the label."
        found.append(Alarm(CHECK, "unstated", words))
    return found


def _sample(facts: OrderFacts, now: datetime) -> list[Alarm]:
    if facts.sample_holds or not facts.standing or facts.starts < now:
        return []
    if facts.sample_holds is False:
        again = "take one again" if facts.can_sample else "and none can be taken in time at the usual hours"
        return [Alarm(STOP, "sample", f"The crossmatch sample does not hold at the start: {again}.")]
    if not facts.can_sample:
        return [Alarm(STOP, "sample", "No crossmatch sample can be taken in time at the usual hours.")]
    return []


def _held(facts: OrderFacts, now: datetime) -> list[Alarm]:
    """Where the blood bank does not keep the units until the booked start, or not any more."""
    if facts.held_until is None or not facts.standing or not (facts.confirmed or facts.here):
        return []
    until = _moment(facts.held_until)
    if facts.held_until < facts.starts:
        words = (
            f"The units are held until {until} only, and the exchange starts on {_moment(facts.starts)}: ask the blood "
            "bank to keep them, and record until when."
        )
        return [Alarm(STOP, "held", words)]
    if facts.held_until < now and facts.here:
        words = f"{count_of(facts.here, 'unit')} here, held until {until}, which has passed: ask the blood bank."
        return [Alarm(CHECK, "held", words)]
    return []


def _group(facts: OrderFacts, today: date) -> list[Alarm]:
    """A group that rests on too few samples, or that a sample contradicts."""
    needed, group = facts.group_samples_needed, facts.needs_now.group
    if not needed or not facts.standing or not (facts.needs_now.abo and facts.needs_now.rhd):
        return []
    if facts.group.differ:
        taken, said = facts.group.differ[-1]
        words = (
            f"The sample of {_day(taken.date())} was {said}, recorded is {group}: no unit of either group before the "
            "blood bank has found out which is right."
        )
        return [Alarm(STOP, "group_differs", words)]
    agree = len(facts.group.agree)
    if agree >= needed:
        return []
    level = CHECK if facts.can_sample or facts.starts.date() > today else STOP
    if not agree:
        words = f"Group {group}: no sample is recorded that found it. Ask the blood bank on how many it rests."
    else:
        words = (
            f"Group {group} rests on one sample, of {_full_day(facts.group.agree[0].date())}: take a second, "
            "independent one before units of this group are issued."
        )
    return [Alarm(level, "one_sample", words)]


def _elsewhere(facts: OrderFacts, today: date) -> list[Alarm]:
    """Antibodies fade: whether others found one is asked again and again."""
    if not facts.elsewhere_days or not facts.standing:
        return []
    ask = "ask other hospitals and registers, and record the day."
    if facts.elsewhere_on is None:
        return [Alarm(CHECK, "elsewhere", f"Antibodies known elsewhere: never asked for, as far as is recorded: {ask}")]
    days = (today - facts.elsewhere_on).days
    if days <= facts.elsewhere_days:
        return []
    words = f"Antibodies known elsewhere: last asked for on {_full_day(facts.elsewhere_on)}, {days} days ago: {ask}"
    return [Alarm(CHECK, "elsewhere", words)]


def _ordering(facts: OrderFacts, today: date, answer_days: int) -> list[Alarm]:
    if facts.state == DRAFTED:
        late = (today - facts.order_by).days
        if late > 0:
            return [Alarm(STOP, "late", f"Not sent; it was to be sent by {_day(facts.order_by)}.")]
        return [Alarm(CHECK, "due", "To be sent today.")] if late == 0 else []
    if facts.state in (SENT, PART) and facts.sent_on is not None:
        waits = (today - facts.sent_on).days
        if facts.state == PART or waits >= answer_days or today >= facts.answer_by:
            said = f"{facts.units - facts.confirmed} of {facts.units} not confirmed"
            said = "not confirmed" if facts.state == SENT else said
            sent = f"{count_of(waits, 'day')} ago" if waits else "today"
            return [Alarm(CHECK, "answer", f"{said}, sent {sent}: telephone.")]
    if facts.missing and facts.standing:
        words = f"{count_of(facts.missing, 'unit')} of {facts.units} not here: telephone the blood bank."
        return [Alarm(CHECK, "missing", words)]
    return []


def _not_come(facts: OrderFacts, today: date, now: datetime) -> list[Alarm]:
    """What was asked of the blood bank and of which nothing is here as the session begins, or has begun."""
    asked = facts.state in (SENT, PART, CONFIRMED)
    if not asked or not facts.standing or not facts.absent or facts.starts.date() > today:
        return []
    if facts.starts > now:
        if facts.state != CONFIRMED:
            return []  # that it is not confirmed is said already
        words = (
            f"{facts.confirmed} confirmed for {facts.starts:%H:%M} today, {facts.here} here yet: call the blood bank."
        )
        return [Alarm(CHECK, "not_come", words)]
    words = (
        f"The session was to start on {_moment(facts.starts)} and {facts.absent} of {facts.units} have not come: "
        "call the blood bank now, and record what came, or release the order with the reason."
    )
    return [Alarm(STOP, "not_come", words)]


def _day(on: date) -> str:
    return f"{on:%a} {on.day} {on:%b}"


def _full_day(on: date) -> str:
    return f"{on.day} {on:%b %Y}"


def _moment(at: datetime) -> str:
    return f"{_day(at.date())} {at:%H:%M}"
