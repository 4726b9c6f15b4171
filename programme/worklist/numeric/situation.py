"""What is known about one person on a morning, and the lesser reasons to look at them. Pure rules on plain values."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from programme.booking.numeric.missed import CHILD_NOT_BROUGHT
from programme.worklist.numeric.words import age_words, day_words

FLAG_FRESH_DAYS = 56  # a change of pace asks for a look for two usual gaps; chosen here

CANCELLED, MOVED = "cancelled", "moved"
WAITING = "the session planned for today is open"


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known about one person on the morning of `today`.

    locked: why the haemolysis lock holds, empty when it does not. measured_pct, measured_on: the followed share
    measured since the last session [%], None when not. status: 'ok', 'unavailable' (with `reason`) or '' when nothing
    was suggested yet. chair: the state of a session of today, empty when there is none or it is closed, 'lapsed'
    where a signature on its plan lapsed. paused: why and since when the person is paused, empty when on the
    programme. pace_flag: (day, pace before, pace now) of a flagged change [points a day]. results_on: newest result
    of the followed share. chance_today: of a measured value over the ceiling today, 0..1. contact, contact_on: a
    contact after a session that is open, in words, and the day on which it fell or falls due. booked_on: the next
    place in the diary; booked_late: why it is after the last safe day. missed_on: a visit missed since the last
    session, with no other booked; consultant_on: from when it is the consultant's too; is_child: under 18 today.
    unsaid_on: a booked day gone by of which nobody has said whether they came. check: a check that is overdue, in
    words. plan_waits: 'missed', 'cancelled' or 'moved' where that became of their place of today and a session is
    still planned for it; `chair` is empty then. trouble: why the next place cannot be kept. missing: which results
    after the last session have not come, in words. series_on: the day that the plan of the last session foresaw for a
    further one, while none is booked and HbS after did not come to the target.
    """

    today: date
    ceiling_pct: float
    last_on: date | None = None
    results_on: date | None = None
    locked: str = ""
    chair: str = ""
    paused: str = ""
    measured_pct: float | None = None
    measured_on: date | None = None
    status: str = ""
    reason: str = ""
    stale: bool = False
    suggested_on: date | None = None
    latest_safe_on: date | None = None
    chance_today: float | None = None
    pace_flag: tuple[date, float, float] | None = None
    weight_on: date | None = None
    weight_limit_days: int = 92
    review_on: date | None = None
    goals_since: date | None = None
    review_limit_days: int = 400
    results_limit_days: int = 120
    contact_on: date | None = None
    contact: str = ""
    booked_on: date | None = None
    booked_late: str = ""
    missed_on: date | None = None
    consultant_on: date | None = None
    is_child: bool = False
    unsaid_on: date | None = None
    check: str = ""
    plan_waits: str = ""
    trouble: str = ""
    missing: str = ""
    series_on: date | None = None

    @property
    def with_consultant(self) -> str:
        """Since when a missed visit is the consultant's too, in words; '' where it is not yet."""
        if self.missed_on is None or self.consultant_on is None or self.consultant_on > self.today:
            return ""
        since = "today" if self.consultant_on == self.today else day_words(self.consultant_on, self.today)
        return f"with the consultant since {since}"

    @property
    def suggested_after_safe(self) -> bool:
        """Whether no day that can be suggested is left up to the last safe one."""
        best, last = self.suggested_on, self.latest_safe_on
        return best is not None and last is not None and best > last

    @property
    def booked_safely(self) -> bool:
        """Whether a place stands that can be kept and is not after the last safe day."""
        return (
            self.booked_on is not None
            and not self.trouble
            and (self.latest_safe_on is None or self.booked_on <= self.latest_safe_on)
        )


def asides(s: Situation) -> tuple[str, ...]:
    """Return the lesser reasons to look at this person, each a few words."""
    words = list(missed_asides(s))
    if s.plan_waits in (CANCELLED, MOVED):
        words.append(f"{WAITING} and its place was {s.plan_waits}: cancel it or book")
    elif s.plan_waits:
        words.append(f"{WAITING}: cancel it unless they come")
    words += contact_aside(s)
    words += missing_aside(s)
    if s.stale:
        words.append("suggestion is stale")
    if flag_is_fresh(s):
        assert s.pace_flag is not None
        words.append("pace has risen" if s.pace_flag[2] > s.pace_flag[1] else "pace has fallen")
    if weight_is_stale(s):
        words.append(weight_words(s))
    if review_overdue(s):
        words.append("goals review overdue")
    if s.check:
        words.append(s.check)
    return tuple(words)


def missed_asides(s: Situation, *, always: bool = False) -> tuple[str, ...]:
    """What must not be lost of a missed visit where something else is more pressing; always: also before it is the
    consultant's."""
    if s.missed_on is None:
        return ()
    missed = f"did not come on {day_words(s.missed_on, s.today)}" if always or s.with_consultant else ""
    said = ", ".join(filter(None, [missed, s.with_consultant]))
    child = CHILD_NOT_BROUGHT.rstrip(".") if s.is_child else ""
    return tuple(filter(None, [said, child]))


def contact_aside(s: Situation) -> tuple[str, ...]:
    """A contact after a session that is due by now."""
    return (f"contact due: {s.contact}",) if s.contact_on and s.contact_on <= s.today else ()


def missing_aside(s: Situation) -> tuple[str, ...]:
    """Results after the last session that have not come."""
    return (s.missing,) if s.missing else ()


def flag_is_fresh(s: Situation) -> bool:
    """Whether a change of pace was flagged so lately that it still asks for a look."""
    return s.pace_flag is not None and (s.today - s.pace_flag[0]).days <= FLAG_FRESH_DAYS


def weight_is_stale(s: Situation) -> bool:
    """Whether the weight is older than the limits that rest on it allow, or was never recorded."""
    return s.weight_on is None or (s.today - s.weight_on).days > s.weight_limit_days


def weight_words(s: Situation) -> str:
    """Say how old the weight is."""
    return "no weight recorded" if s.weight_on is None else f"weight is {age_words((s.today - s.weight_on).days)} old"


def review_overdue(s: Situation) -> str:
    """Say since when a review of the goals is overdue; '' where it is not."""
    if s.review_on is not None:
        return f"Goals were due for review {day_words(s.review_on, s.today)}" if s.review_on < s.today else ""
    if s.goals_since is not None and (age := (s.today - s.goals_since).days) > s.review_limit_days:
        return f"Goals are {age_words(age)} old"
    return ""
