"""Who is pressing and why: the band a person stands in, and the sentence that says what is to be done.

Pure rules on plain values. The order of the bands and of the rules within them is chosen here; not from a source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import IntEnum

from programme.booking.numeric.missed import CHILD_NOT_BROUGHT
from programme.worklist.numeric.situation import (
    CANCELLED,
    MOVED,
    WAITING,
    Situation,
    asides,
    contact_aside,
    flag_is_fresh,
    missed_asides,
    missing_aside,
    review_overdue,
    weight_is_stale,
    weight_words,
)
from programme.worklist.numeric.words import age_words, capital, chance_words, count_words, day_words, figure

ARRANGE_WITHIN_DAYS = 7  # 'this week'; chosen here
CONTACT_LATE_DAYS = 3  # a contact after a session that nobody made for so long cannot wait; chosen here
TROUBLE_SOON_DAYS = 7  # a place so near that cannot be kept is told today; chosen here
NAMED_AT_MOST = 3

PLANNED, LAPSED, AUTHORISED = "planned", "lapsed", "authorised"
CHAIR_WORDS = {
    PLANNED: (0, "In today, the plan is not signed", "Look at the plan and have it signed"),
    LAPSED: (0, "In today, the signature on the plan lapsed", "Make the plan again and have it signed"),
    AUTHORISED: (1, "In today, the plan is signed", "Check and start"),
    "finished": (2, "Finished, not closed", "Enter the results and close"),
    "running": (3, "Being exchanged", "Open the run"),
}
"""By the state of today's session: its place in the band, what is said, and the act."""


class Band(IntEnum):
    """The parts of the list, most pressing first."""

    NOW = 0
    CHAIR = 1
    ARRANGE = 2
    ON_COURSE = 3
    CANNOT_SAY = 4


BAND_NAMES = {
    Band.NOW: "Now",
    Band.CHAIR: "In the chair today",
    Band.ARRANGE: "To arrange this week",
    Band.ON_COURSE: "On course",
    Band.CANNOT_SAY: "Cannot say",
}
BAND_WORDS = {
    Band.NOW: "a day lost here is a day over the ceiling",
    Band.CHAIR: "",
    Band.ARRANGE: "nobody here is late yet",
    Band.ON_COURSE: "no exchange is due within a week",
    Band.CANNOT_SAY: "no day is suggested; a person decides",
}


@dataclass(frozen=True, slots=True)
class Need:
    """What a person needs: band, mark and a sentence whose act stands between `lead` and `rest`.

    mark: 'stop', 'check', 'note' or '' when nothing is asked. also: further short reasons. brief: what the opening
    sentence of the list says after the name. weight: order within the band, smallest first.
    """

    band: Band
    mark: str
    lead: str
    act: str = ""
    rest: str = ""
    brief: str = ""
    also: tuple[str, ...] = ()
    weight: tuple[float, ...] = ()

    @property
    def sentence(self) -> str:
        """The whole sentence as plain text."""
        return f"{self.lead}{self.act}{self.rest}"


def judge(s: Situation) -> Need:
    """Return what this person needs today: the first rule that holds, most pressing first."""
    for rule in (
        _locked,
        _paused,
        _in_chair,
        _over_measured,
        _missed,
        _troubled,
        _passed,
        _contact,
        _plan_waits,
        _unsaid,
        _series_open,
        _cannot_say,
        _booked_late,
        _due,
        _stale,
        _flagged,
        _quiet,
    ):
        need = rule(s)
        if need is not None:
            return need
    raise AssertionError("the last rule always answers")


def _locked(s: Situation) -> Need | None:
    if not s.locked:
        return None
    return Need(
        Band.NOW, "stop", "Locked: possible haemolysis. No red cells; ", "a haematologist decides", ".",
        brief="is locked", also=(*missed_asides(s), *contact_aside(s), *missing_aside(s)), weight=(0,),
    )  # fmt: skip


def _paused(s: Situation) -> Need | None:
    if not s.paused:
        return None
    missed = missed_asides(s, always=True)
    mark = "check" if missed else ""
    return _contact(s) or Need(Band.CANNOT_SAY, mark, f"{s.paused}.", also=(*missed, *missing_aside(s)), weight=(9, 0))


def _contact(s: Situation) -> Need | None:
    """A contact after a session counts for everybody, also for who is paused or has no suggestion."""
    if s.contact_on is None or s.contact_on > s.today:
        return None
    late = (s.today - s.contact_on).days
    also = tuple(word for word in asides(s) if not word.startswith("contact due"))
    lead = f"{capital(s.contact)}, due {'today' if late == 0 else day_words(s.contact_on, s.today)}. "
    if late < CONTACT_LATE_DAYS:
        return Need(Band.ARRANGE, "check", lead, "Make contact today", ".", also=also, weight=(-1, -late))
    return Need(
        Band.NOW, "check", lead, "Make contact today", ".",
        brief=f"has waited {age_words(late)} for a contact after a session", also=also, weight=(4, -late),
    )  # fmt: skip


def _in_chair(s: Situation) -> Need | None:
    """By where today's session stands: what is waiting for somebody comes first, what only goes on last."""
    if s.chair not in CHAIR_WORDS:
        return None
    weight, said, act = CHAIR_WORDS[s.chair]
    over = s.measured_pct is not None and s.measured_pct > s.ceiling_pct
    if s.chair in (PLANNED, LAPSED, AUTHORISED):
        if s.measured_pct is None:
            said = f"{said}; HbS before is not back"
        elif over:
            said = f"{said}; over the ceiling at {figure(s.measured_pct, 1)}"
    mark = "check" if s.chair == LAPSED or (over and s.chair == PLANNED) else "note"
    order = (weight, 0 if mark == "check" else 1)
    return Need(Band.CHAIR, mark, f"{said}. ", act, ".", also=asides(s), weight=order)


def _over_measured(s: Situation) -> Need | None:
    if s.measured_pct is None or s.measured_on is None or s.measured_pct <= s.ceiling_pct:
        return None
    share = figure(s.measured_pct, 1)
    when = "today" if s.measured_on == s.today else f"on {day_words(s.measured_on, s.today)}"
    return Need(
        Band.NOW, "stop", f"Measured {share} {when}, over the ceiling of {s.ceiling_pct:g}. ", "Telephone today", ".",
        brief=f"measured {share}, over the ceiling", also=asides(s), weight=(1, s.ceiling_pct - s.measured_pct),
    )  # fmt: skip


def _missed(s: Situation) -> Need | None:
    """Somebody who did not come is asked after at once, whatever the window says."""
    if s.missed_on is None:
        return None
    missed = "today" if s.missed_on == s.today else f"on {day_words(s.missed_on, s.today)}"
    last = s.latest_safe_on if s.status == "ok" else None
    passed = last is not None and last <= s.today
    window = "" if last is None else f"; last safe day {day_words(last, s.today)}"
    said = ", ".join(filter(None, [f"did not come {missed}", s.with_consultant]))
    lead = f"{capital(said)}. {CHILD_NOT_BROUGHT + ' ' if s.is_child else ''}"
    also = tuple(word for word in asides(s) if word not in missed_asides(s))
    pressing = passed or s.with_consultant
    return Need(
        Band.NOW, "stop" if passed else "check", lead, "Telephone today", f"{window}.", brief=said, also=also,
        weight=(2 if pressing else 3, -(s.chance_today or 0.0), s.missed_on.toordinal()),
    )  # fmt: skip


def _troubled(s: Situation) -> Need | None:
    """A place that cannot be kept is none: while it stands nobody looks for another."""
    if not s.trouble or s.booked_on is None:
        return None
    soon = (s.booked_on - s.today).days <= TROUBLE_SOON_DAYS
    booked = "today" if s.booked_on == s.today else day_words(s.booked_on, s.today)
    lead = f"Booked {booked}, and it cannot be kept: {s.trouble}. "
    return Need(
        Band.NOW if soon else Band.ARRANGE, "stop" if soon else "check", lead, "Move it", ".",
        brief="is booked where there is no place", also=asides(s), weight=(3, s.booked_on.toordinal(), 0),
    )  # fmt: skip


def _plan_waits(s: Situation) -> Need | None:
    """A plan whose visit was cancelled or moved is somebody's to end; who did not come may come after all."""
    if s.plan_waits not in (CANCELLED, MOVED):
        return None
    what = f"The place today was {s.plan_waits} and its plan is still open. "
    if s.booked_on is not None:
        act, rest = "Cancel the plan", f"; booked {day_words(s.booked_on, s.today)}."
    else:
        last = s.latest_safe_on if s.status == "ok" else None
        act, rest = "Cancel it or book", "." if last is None else f"; last safe day {day_words(last, s.today)}."
    also = tuple(word for word in asides(s) if not word.startswith(WAITING))
    return Need(Band.ARRANGE, "check", what, act, rest, also=also, weight=(-2, 0))


def _unsaid(s: Situation) -> Need | None:
    """A booked day that is over must not pass in silence: it may be a visit that was missed."""
    if s.unsaid_on is None:
        return None
    lead = f"Booked {day_words(s.unsaid_on, s.today)}, and nobody has said what became of it. "
    order = (-1, s.unsaid_on.toordinal())
    return Need(Band.ARRANGE, "check", lead, "Say whether they came", ".", also=asides(s), weight=order)


def _series_open(s: Situation) -> Need | None:
    """A further session that the plan of the last foresaw is decided about before its day, and not forgotten."""
    if s.series_on is None:
        return None
    lead = f"A further session was foreseen for {day_words(s.series_on, s.today)} and has no place. "
    order = (-1, s.series_on.toordinal())
    return Need(Band.ARRANGE, "check", lead, "Prescriber to decide", ".", also=asides(s), weight=order)


def _booked_late(s: Situation) -> Need | None:
    """A place after the last safe day stays in sight, with its reason, until it is kept or moved."""
    if s.booked_on is None or s.booked_safely or s.latest_safe_on is None:
        return None
    booked, last = day_words(s.booked_on, s.today), day_words(s.latest_safe_on, s.today)
    lead, order = f"Booked {booked}, after the last safe day {last}", (0, s.latest_safe_on.toordinal())
    if s.booked_late:
        lead = f"{lead}: {s.booked_late.rstrip('. ')}."
        return Need(Band.ARRANGE, "note", lead, also=asides(s), weight=order)
    return Need(Band.ARRANGE, "check", f"{lead}. ", "Look for an earlier place", ".", also=asides(s), weight=order)


def _passed(s: Situation) -> Need | None:
    if s.status != "ok" or s.latest_safe_on is None or s.latest_safe_on > s.today:
        return None
    chance = 0.0 if s.chance_today is None else s.chance_today
    later = s.suggested_on is not None and s.suggested_on > s.today
    next_day = f"; next open day {day_words(s.suggested_on, s.today)}" if later and s.suggested_on else ""
    act = "Telephone today"
    if s.booked_on is not None:
        act, next_day = f"Booked {'today' if s.booked_on == s.today else day_words(s.booked_on, s.today)}", ""
    if s.latest_safe_on == s.today:
        lead, brief, mark = "Today is the last safe day. ", "has the last safe day today", "check"
    else:
        passed = day_words(s.latest_safe_on, s.today)
        lead, brief, mark = f"The last safe day was {passed}. ", f"is past the last safe day, {passed}", "stop"
    return Need(
        Band.NOW, mark, lead, act, f"{next_day}.",
        brief=brief, also=asides(s), weight=(2 if mark == "stop" else 3, -chance, s.latest_safe_on.toordinal()),
    )  # fmt: skip


def _cannot_say(s: Situation) -> Need | None:
    if s.status == "ok":
        return None
    if s.results_on is None:
        return Need(Band.CANNOT_SAY, "check", "No HbS result is recorded. ", "Ask for HbS and Hb", ".", weight=(0, 0))
    age = (s.today - s.results_on).days
    if age > s.results_limit_days:
        lead = f"No HbS result since {day_words(s.results_on, s.today)}. "
        return Need(Band.CANNOT_SAY, "check", lead, "Ask for HbS and Hb", ".", also=asides(s), weight=(0, -age))
    if s.status == "unavailable":
        reason = f"{capital(s.reason.rstrip('. '))}. "
        return Need(Band.CANNOT_SAY, "check", reason, "Decide the day by hand", ".", also=asides(s), weight=(1, -age))
    lead = "No suggestion has been made yet; the next replan makes one."
    return Need(Band.CANNOT_SAY, "note", lead, weight=(2, -age))


def _due(s: Situation) -> Need | None:
    if s.booked_safely:
        return None
    horizon = s.today + timedelta(days=ARRANGE_WITHIN_DAYS)
    last, best = s.latest_safe_on, s.suggested_on
    due = [day for day in (last, best) if day is not None]
    if not due or min(due) > horizon:
        return None
    if best is not None and last is not None and best != last:
        when, until = "today" if best == s.today else day_words(best, s.today), day_words(last, s.today)
        safe = f"; last safe day {until}."
        late = f", the first day that can be suggested; the last safe day, {until}, is before it."
        lead, act, rest = "", f"Arrange {when}", late if s.suggested_after_safe else safe
    elif last is not None:
        lead, act, rest = "", f"Arrange by {day_words(last, s.today)}", ", the last safe day."
    else:
        lead, act, rest = "", f"Arrange {day_words(min(due), s.today)}", "."
    order = (last or min(due)).toordinal()
    return Need(Band.ARRANGE, "check", lead, act, rest, also=asides(s), weight=(0, order))


def _stale(s: Situation) -> Need | None:
    if not s.stale:
        return None
    also = tuple(word for word in asides(s) if not word.startswith("suggestion"))
    lead = "The suggestion is older than what is recorded now. "
    return Need(Band.ARRANGE, "check", lead, "Open and look", ".", also=also, weight=(1, _order(s)))


def _flagged(s: Situation) -> Need | None:
    if not flag_is_fresh(s):
        return None
    assert s.pace_flag is not None
    on, before, now = s.pace_flag
    verb = "risen" if now > before else "fallen"
    lead = f"Pace {verb} from {figure(before, 2)} to {figure(now, 2)} points a day, seen {day_words(on, s.today)}. "
    also = tuple(word for word in asides(s) if not word.startswith("pace"))
    return Need(Band.ARRANGE, "note", lead, "Read the course", ".", also=also, weight=(2, _order(s)))


def _quiet(s: Situation) -> Need:
    order = (_order(s),)
    if s.missing:
        lead, also = f"{capital(s.missing)}. ", tuple(word for word in asides(s) if word != s.missing)
        return Need(Band.ON_COURSE, "note", lead, "Ask for them", ".", also=also, weight=order)
    if overdue := review_overdue(s):
        lead, also = f"{overdue}. ", tuple(word for word in asides(s) if not word.startswith("goals"))
        return Need(Band.ON_COURSE, "note", lead, "Consultant to review", ".", also=also, weight=order)
    if weight_is_stale(s):
        lead = f"{capital(weight_words(s))}. "
        return Need(Band.ON_COURSE, "note", lead, "Weigh", " at the next visit.", weight=order)
    if s.check:
        return Need(Band.ON_COURSE, "note", f"{capital(s.check)}. ", "Ask for it", " at the next visit.", weight=order)
    if s.booked_on is not None:
        return Need(Band.ON_COURSE, "", f"Booked {day_words(s.booked_on, s.today)}.", also=asides(s), weight=order)
    return Need(Band.ON_COURSE, "", "Nothing.", weight=order)


def _order(s: Situation) -> float:
    day = s.suggested_on or s.latest_safe_on
    return float("inf") if day is None else day.toordinal()


def opening(needs: Sequence[tuple[str, Need]]) -> tuple[str, str, str]:
    """Return the opening sentences of the list as (who asks, how many cannot wait, their names and reasons).

    needs: (name, need) of everyone, in the order of the list.
    """
    asked = sum(1 for _, need in needs if need.mark)
    now = [(name, need) for name, need in needs if need.band is Band.NOW]
    people = "person" if len(needs) == 1 else "people"
    who, verb = (capital(count_words(asked)), "ask") if asked > 1 else ("One" if asked else "Nobody", "asks")
    first = f"{who} of {len(needs)} {people} {verb} something of you."
    if not needs:
        return "Nobody is on the programme yet.", "", ""
    if not now:
        return first, "Nobody is late.", ""
    named = [f"{name} {need.brief}" for name, need in now[:NAMED_AT_MOST]]
    more = len(now) - len(named)
    rest = "; ".join(named) + (f"; and {count_words(more)} more." if more else ".")
    return first, f"{capital(count_words(len(now)))} cannot wait:", rest


def chance_column(s: Situation, chance_on_suggested: float | None) -> tuple[str, str]:
    """Return the chance as the list prints it and the day it is of; ('over', 'measured') where a result is in."""
    if s.locked:
        return "not given", "locked"
    if s.measured_pct is not None:
        return ("over" if s.measured_pct > s.ceiling_pct else "under"), "measured"
    if s.paused:
        return "not given", "paused"
    if s.status != "ok":
        return "cannot say", ""
    late = s.latest_safe_on is not None and s.latest_safe_on <= s.today
    if late and s.chance_today is not None:
        return chance_words(s.chance_today), "today"
    if chance_on_suggested is not None and s.suggested_on is not None:
        return chance_words(chance_on_suggested), f"by {s.suggested_on.day} {s.suggested_on:%b}"
    return (chance_words(s.chance_today), "today") if s.chance_today is not None else ("cannot say", "")
