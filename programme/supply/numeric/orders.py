"""What an order for blood says, how it may move, and what about it is loud.

Nothing here decides what may stand in for what: it compares what was ordered with what is needed now, and says so.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from programme.core.numeric.words import count_of
from programme.supply.numeric.unfit import Unfit
from sessions.day.numeric.blood_match import RH_AND_K, Needed, UnitBlood, antigens_of, must_be_negative

MINUS = "\u2212"
STOP, CHECK, NOTE = "stop", "check", "note"
NEAR_DAYS = 3
"""Units reckoned for a day so near to the booked one count as reckoned for it: HbS rises 1 to 3 points. Chosen here."""

DRAFTED, SENT, PART, CONFIRMED, ARRIVED = "drafted", "sent", "part", "confirmed", "arrived"
ENDED, CANCELLED = "ended", "cancelled"

MOVES: dict[str, tuple[str, ...]] = {
    "send": (DRAFTED,),
    "answer": (SENT, PART, CONFIRMED, ARRIVED),
    "arrive": (SENT, PART, CONFIRMED, ARRIVED),
    "renew": (DRAFTED, SENT, PART, CONFIRMED, ARRIVED),
    "release": (DRAFTED, SENT, PART, CONFIRMED, ARRIVED),
    "tell": (SENT, PART, CONFIRMED, ARRIVED),
}
"""What can be done with an order in each state; what has ended or was cancelled stays as it is."""


@dataclass(frozen=True, slots=True)
class OrderNeeds:
    """What every unit of an order must be, as it stood when the order was drafted or renewed."""

    abo: str
    rhd: str
    negative: tuple[str, ...]
    antibodies: tuple[str, ...]
    hbs_negative: bool
    other: str = ""
    freshest_days: int | None = None

    @property
    def group(self) -> str:
        """'O +' as it is printed; what is missing is said."""
        sign = {"+": "+", "-": MINUS}.get(self.rhd, "D?")
        return f"{self.abo or 'group?'} {sign}"

    @property
    def match(self) -> str:
        """The antigens that must be absent, as printed: 'C− E− K− Jk(b)−'."""
        return " ".join(printed_negative(antigen) for antigen in self.negative)

    def words(self) -> str:
        """All of it in a sentence or two."""
        signs = {"+": "D positive", "-": "D negative"}
        parts = [self.abo or "group not recorded", signs.get(self.rhd, "D type not recorded")]
        parts += [self.match] if self.match else []
        parts += ["HbS-negative"] if self.hbs_negative else []
        parts += [f"not older than {self.freshest_days} days if there is a choice"] if self.freshest_days else []
        found = f"Antibodies ever found: {', '.join(self.antibodies)}." if self.antibodies else "No antibody found."
        return f"{', '.join(parts)}. {found}" + (f" Also: {self.other}." if self.other else "")


def printed_negative(antigen: str) -> str:
    """Return an antigen that must be absent as the trade prints it: 'C−', 'Jk(b)−'."""
    bracketed = len(antigen) == 3 and antigen[-1] in "ab" and antigen[0].isupper() and antigen[1].islower()
    return f"{antigen[:2]}({antigen[2]}){MINUS}" if bracketed else f"{antigen}{MINUS}"


def order_needs(needed: Needed, *, other: str = "", freshest_days: int | None = None) -> OrderNeeds:
    """Return what is asked for a person: group, D, every antigen that must be absent, antibodies, the rest.

    Absent must be what an antibody was ever found against, what is recorded as to be avoided, and of Rh and K what the
    person's own cells lack (ASH 2020, Chou et al., Blood Adv 2020;4:327-55, and UK practice, both as quoted).
    """
    return OrderNeeds(
        abo=needed.abo,
        rhd=needed.rhd,
        negative=in_order(must_be_negative(needed)),
        antibodies=needed.antibodies,
        hbs_negative=needed.hbs_negative,
        other=other,
        freshest_days=freshest_days,
    )


def in_order(antigens: Iterable[str]) -> tuple[str, ...]:
    """Return antigens as the trade lists them: Rh and K first, the others by name."""
    first = {antigen: place for place, antigen in enumerate(RH_AND_K)}
    return tuple(sorted(antigens, key=lambda name: (first.get(name, len(first)), name.casefold(), name)))


def needs_to_dict(needs: OrderNeeds) -> dict[str, Any]:
    """Return needs as they are stored with an order."""
    return {
        "abo": needs.abo, "rhd": needs.rhd, "negative": list(needs.negative), "antibodies": list(needs.antibodies),
        "hbs_negative": needs.hbs_negative, "other": needs.other, "freshest_days": needs.freshest_days,
    }  # fmt: skip


def needs_from_dict(stored: Mapping[str, Any]) -> OrderNeeds:
    """Return needs from what is stored with an order."""
    return OrderNeeds(
        abo=stored.get("abo", ""),
        rhd=stored.get("rhd", ""),
        negative=tuple(stored.get("negative", ())),
        antibodies=tuple(stored.get("antibodies", ())),
        hbs_negative=bool(stored.get("hbs_negative", True)),
        other=stored.get("other", ""),
        freshest_days=stored.get("freshest_days"),
    )


def changed_needs(ordered: OrderNeeds, now: OrderNeeds) -> tuple[str, ...]:
    """Return in words what the person needs now that the order does not say, or no longer needs."""
    found = []
    if (ordered.abo, ordered.rhd) != (now.abo, now.rhd):
        found.append(f"group {ordered.group} was ordered, {now.group} is recorded now")
    more = [printed_negative(one) for one in now.negative if one not in ordered.negative]
    less = [printed_negative(one) for one in ordered.negative if one not in now.negative]
    found += [f"{' '.join(more)} must be matched too"] if more else []
    found += [f"{' '.join(less)} was ordered and is no longer asked for"] if less else []
    new = [name for name in now.antibodies if name not in ordered.antibodies]
    found += [f"{', '.join(new)} found since"] if new else []
    if ordered.hbs_negative != now.hbs_negative:
        found.append("HbS-negative is asked for now" if now.hbs_negative else "HbS-negative is no longer asked for")
    if ordered.other != now.other:
        found.append(f"other needs are now: {now.other or 'none'}")
    return tuple(found)


def unclear_antibodies(needs: OrderNeeds) -> tuple[str, ...]:
    """Return antibodies whose name says no antigen: only the blood bank can say what they ask for."""
    return tuple(name for name in needs.antibodies if not antigens_of(name))


def unit_differences(unit: UnitBlood, needs: OrderNeeds, *, age_days: int | None) -> tuple[str, ...]:
    """Return in words where a unit is not as it was asked for. Whether it may be given is not said here.

    age_days: since the donation, None where that day was not entered.
    """
    found = []
    if (unit.abo, unit.rhd) != (needs.abo, needs.rhd):
        sign = {"+": "+", "-": MINUS}.get(unit.rhd, "")
        said = f"group {unit.abo} {sign}".strip() if unit.abo else "group not entered"
        found.append(f"{said}, {needs.group} was asked for")
    wrong = [one for one in needs.negative if one in unit.positive]
    unstated = [one for one in needs.negative if one not in unit.positive | unit.negative]
    found += [f"{', '.join(wrong)} positive, asked for negative"] if wrong else []
    found += [f"not entered as negative: {', '.join(unstated)}"] if unstated else []
    if needs.hbs_negative and not unit.hbs_negative:
        found.append("HbS-negative not entered" if unit.hbs_negative is None else "not HbS-negative")
    if needs.freshest_days and age_days is not None and age_days > needs.freshest_days:
        found.append(f"{age_days} days old, not over {needs.freshest_days} was asked for")
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something about an order that somebody must see. level: stop, check or note; kind: what it is about."""

    level: str
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class OrderFacts:
    """An order as it stands, beside what holds now.

    units, confirmed, here: ordered, confirmed, arrived and not put away; given: of the order, to its person. units_now:
    by the plan of today, None where there is none, with `no_plan` for the reason. planned_for: the day that plan was
    reckoned for, where it is not the booked one. starts: by the booking of today.
    standing: its booking stands. moved_to: day of the booking that took its place. needs_now: as recorded now.
    sample_holds: the newest sample holds at the start, None where none was taken for it yet. can_sample: a sample can
    still be taken in time. to_tell: what was changed since it was sent, of which the blood bank was not told. unfit:
    what speaks against the units that are here.
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

    answer_days: a sent order without a full answer is telephoned about after so many days.
    """
    found = [
        *_booking(facts),
        *_untold(facts),
        *_changed(facts),
        *_units(facts),
        *_sample(facts, now),
        *_ordering(facts, today, answer_days),
        *_not_come(facts, today, now),
    ]
    order = (STOP, CHECK, NOTE)
    return tuple(sorted(found, key=lambda alarm: order.index(alarm.level)))


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


def _ordering(facts: OrderFacts, today: date, answer_days: int) -> list[Alarm]:
    if facts.state == DRAFTED:
        late = (today - facts.order_by).days
        if late > 0:
            return [Alarm(STOP, "late", f"Not sent; it was to be sent by {_day(facts.order_by)}.")]
        return [Alarm(CHECK, "due", "To be sent today.")] if late == 0 else []
    if facts.state in (SENT, PART) and facts.sent_on is not None:
        waits = (today - facts.sent_on).days
        if waits >= answer_days or (facts.starts.date() - today).days <= 1:
            said = "not confirmed" if facts.state == SENT else f"{facts.confirmed} of {facts.units} confirmed"
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


def _moment(at: datetime) -> str:
    return f"{_day(at.date())} {at:%H:%M}"


def state_after_answer(confirmed: int, units: int) -> str:
    """Return the state of an order of so many units of which so many are confirmed."""
    if confirmed <= 0:
        return SENT
    return CONFIRMED if confirmed >= units else PART


@dataclass(frozen=True, slots=True)
class Tally:
    """The units that came in, by where each of them is."""

    came: int
    here: int
    issued: int
    given: int
    returned: int
    discarded: int


def tally(states: Iterable[str]) -> Tally:
    """Count units by state; came is the sum of the others. Raises KeyError for an unknown state."""
    counts = dict.fromkeys(("arrived", "issued", "given", "returned", "discarded"), 0)
    for state in states:
        counts[state] += 1
    return Tally(
        came=sum(counts.values()),
        here=counts["arrived"],
        issued=counts["issued"],
        given=counts["given"],
        returned=counts["returned"],
        discarded=counts["discarded"],
    )
