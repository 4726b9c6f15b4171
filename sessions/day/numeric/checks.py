"""What must be in order before a session is finished, and before it is closed.

Each check is a line that can be read aloud. 'stop' has to be put right first; 'ask' can stand with a reason.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from programme.core.numeric.words import count_of, spans_of
from sessions.day.numeric.after import HbAfter
from sessions.day.numeric.clocks import missed_observations
from sessions.day.numeric.done import Done
from sessions.day.numeric.entries import VITALS
from sessions.day.numeric.tally import StepSoFar, Tally
from sessions.day.numeric.unit_clocks import hung_words
from sessions.day.numeric.unit_volumes import over_unit_words, over_units_words
from sessions.day.numeric.volume_stops import SMALL_BODY_KG, blood_out_stop_ml, past_words, saline_stop_ml

OK, WAITING, ASK, STOP = "ok", "waiting", "ask", "stop"
VOLUMES_LINE = "Volumes of all steps"
TOTALS_LINE = "Totals of the machine"
TIMES_LINE, CONFLICTS_LINE = "Times", "Entries made at once"
QUIET_LINES = (TIMES_LINE, CONFLICTS_LINE)
"""Said on the page after a session only where something is wrong with them."""
LEAFLET_LINE = "Leaflet on late reactions, and whom to call"
LONGEST_SESSION_H = 12.0  # longer is asked about; chosen here
LEAST_SAMPLE_WAIT_MIN = 15.0
"""Two units had their whole effect on haemoglobin 15 minutes after the last: Wiesen AR et al., Ann Intern Med
1994;121:278-80; Elizalde JI et al., Transfusion 1997;37:573-6. [min]"""


@dataclass(frozen=True, slots=True)
class Check:
    """One line: state 'ok', 'waiting', 'ask' or 'stop', what it is about, and what was found."""

    state: str
    name: str
    words: str

    @property
    def sentence(self) -> str:
        return f"{self.name}: {self.words}"


def open_names(checks: Sequence[Check]) -> str:
    """Return the names of the lines that are not in order, as a form sends them back as seen."""
    return "|".join(check.name for check in checks if check.state != OK)


@dataclass(frozen=True, slots=True)
class UnitNow:
    """A unit of the session: its place, its label (number or place), where it is, its label volume [mL], and when it
    left storage."""

    place: int
    label: str
    state: str
    label_ml: float | None = None
    out_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Sample:
    """An after-sample. from_return: drawn from the line or arm through which fluid had been given.

    entered: False where nobody entered it, and only its results say when it was taken.
    """

    taken_at: datetime
    place: str = ""
    from_return: bool = False
    entered: bool = True


@dataclass(frozen=True, slots=True)
class Afterwards:
    """What is known of the time after a session. hb: None where Hb after is not known."""

    now: datetime
    ended_at: datetime | None
    rest_hours: float
    sample: Sample | None
    sample_wait_min: float
    results: Mapping[str, bool]  # 'Hb', 'HbS': whether it is in
    hb: HbAfter | None
    disposal: str
    going_home: str
    leaflet: str


def shortest_sample_wait_min(setting_min: float) -> float:
    """Return how long to wait before the after-sample: as the site says, never under LEAST_SAMPLE_WAIT_MIN [min]."""
    return max(setting_min, LEAST_SAMPLE_WAIT_MIN)


def balance_limits_ml(weight_kg: float, settings: Mapping[str, float]) -> tuple[float, float]:
    """Return the greatest deficit and the greatest excess at the end [mL], both positive, as for any other moment."""
    per_kg = settings["child_draw_stop_ml_per_kg" if weight_kg < SMALL_BODY_KG else "single_draw_stop_ml_per_kg"]
    deficit = min(settings["single_draw_stop_ml"], per_kg * weight_kg)
    return deficit, settings["balance_stop_ml_per_kg"] * weight_kg


def finish_checks(
    state: Tally,
    carried_out: Done,
    units: Sequence[UnitNow],
    *,
    weight_kg: float,
    settings: Mapping[str, float],
    now: datetime,
    by_totals: bool = False,
) -> tuple[Check, ...]:
    """Return the lines that are looked at before a session is finished.

    by_totals: the session is automated. While its totals are not entered there are no volumes and times to look at.
    """
    if by_totals and state.totals is None:
        found = (*_units(state, carried_out, units), *_hung(state, units, settings))
        return (_no_totals(carried_out), *found, *_reactions(state))
    return (
        _volumes(state, carried_out),
        _balance(carried_out.balance_ml, weight_kg, settings),
        *_past_stops(state, carried_out, weight_kg, settings),
        *_units(state, carried_out, units),
        *_hung(state, units, settings),
        *_observations(state, carried_out, settings),
        *_reactions(state),
        _times(state, carried_out, now),
        _conflicts(state),
    )


def _no_totals(carried_out: Done) -> Check:
    """Where a unit was started, something was given: not even a session that is given up does without totals then."""
    if carried_out.places:
        n = len(carried_out.places)
        were = f"{count_of(n, 'unit')} {'was' if n == 1 else 'were'} started"
        return Check(STOP, TOTALS_LINE, f"not entered, though {were}: enter what the machine states")
    words = "the totals of the machine are not entered; a session in which nothing happened is abandoned"
    return Check(STOP, VOLUMES_LINE, words)


def _volumes(state: Tally, carried_out: Done) -> Check:
    name = VOLUMES_LINE
    if carried_out.is_nothing:
        return Check(STOP, name, "nothing was given or drawn; a session in which nothing happened is abandoned")
    in_ml = carried_out.saline_in_ml + carried_out.red_cells_in_ml
    total = f"in {in_ml:,.0f} mL, out {carried_out.out_ml:,.0f} mL"
    if state.totals is not None or not state.moved:
        return Check(OK, "Volumes, as totals", total)
    short = [s for s in state.steps if not s.done]
    found = [_short_step(s) for s in short if s.in_ml or s.out_ml]
    untouched = [s.planned.number for s in short if not (s.in_ml or s.out_ml)]
    found += [f"nothing of step{'' if len(untouched) == 1 else 's'} {spans_of(untouched)}"] if untouched else []
    return Check(ASK, name, f"{'; '.join(found)} ({total})") if found else Check(OK, name, total)


def _short_step(step: StepSoFar) -> str:
    """'step 2 has 200 of 258 mL in, 250 of 250 mL out'; a side that the plan leaves out is left out."""
    sides = ((step.in_ml, step.planned.in_ml, "in"), (step.out_ml, step.planned.out_ml, "out"))
    said = [f"{done:.0f} of {planned:.0f} mL {way}" for done, planned, way in sides if done or planned]
    return f"step {step.planned.number} has {', '.join(said)}"


def _balance(balance_ml: float, weight_kg: float, settings: Mapping[str, float]) -> Check:
    deficit, excess = balance_limits_ml(weight_kg, settings)
    found = f"in less out is {_signed(balance_ml, 0)} mL ({_signed(balance_ml / weight_kg, 1)} mL/kg)"
    if -deficit <= balance_ml <= excess:
        return Check(OK, "Balance at the end", found)
    return Check(ASK, "Balance at the end", f"{found}; allowed is \u2212{deficit:.0f} to +{excess:.0f} mL")


def _past_stops(state: Tally, carried_out: Done, weight_kg: float, settings: Mapping[str, float]) -> tuple[Check, ...]:
    """Saline given and blood drawn past their stops; nothing where both keep them."""
    steps = [step.planned for step in state.steps]
    planned_ml = sum(step.in_ml for step in steps if step.fluid == "saline"), sum(step.out_ml for step in steps)
    done_ml = carried_out.saline_in_ml, carried_out.out_ml
    stop_ml = float(saline_stop_ml(weight_kg, settings)), float(blood_out_stop_ml(weight_kg, settings))
    words = [past_words(*one) for one in zip(done_ml, stop_ml, planned_ml, strict=True)]
    found = zip(("Saline given", "Blood drawn"), words, strict=True)
    return tuple(Check(ASK, name, said) for name, said in found if said)


def _signed(value: float, places: int) -> str:
    """Write a number with its sign; none before a nought."""
    text = f"{value:+.{places}f}".replace("-", "\u2212")
    return text if text.strip("+\u22120.") else text[1:]


def _units(state: Tally, carried_out: Done, units: Sequence[UnitNow]) -> tuple[Check, ...]:
    lines = []
    labels = {unit.place: unit.label for unit in units}
    still = [place for place, times in state.units.items() if times.started_at and not times.ended_at]
    if still:
        named = ", ".join(labels.get(place, f"unit {place}") for place in sorted(still))
        lines.append(Check(STOP, "Units ended", f"{named}: started and not ended"))
    left = [u.label for u in units if u.state in ("at_chair", "checked") and u.place not in carried_out.places]
    if left:
        lines.append(Check(STOP, "Units not given", f"{', '.join(left)}: return or discard, and say why"))
    if carried_out.red_cells_in_ml > 0 and not carried_out.places:
        lines.append(Check(ASK, "Units", "red cells were given, but no entry names their unit"))
    if state.totals is not None and carried_out.units != len(carried_out.places):
        lines.append(Check(STOP, "Units of the totals", _units_apart(carried_out, labels)))
    traced = sum(place in labels for place in carried_out.places)
    if traced < carried_out.units:
        words = f"{carried_out.units - traced} of {carried_out.units} given have no donation number here"
        lines.append(Check(ASK, "Units", f"{words}: nobody could trace them"))
    doubted = _unit_volumes(state, carried_out, {unit.place: unit.label_ml for unit in units})
    if doubted:
        lines.append(Check(ASK, "Volume of a unit", "; ".join(doubted)))
    if not lines:
        count = len(carried_out.places)
        words = f"{count} given" + ("" if count == len(units) else f", {len(units) - count} put away" if units else "")
        lines.append(Check(OK, "Units ended and accounted for", words if count or units else "none was used"))
    return tuple(lines)


def _hung(state: Tally, units: Sequence[UnitNow], settings: Mapping[str, float]) -> tuple[Check, ...]:
    """Units that ended after their time: whoever reads the record must see it, with what was done about it."""
    out = {unit.place: unit.out_at for unit in units}
    hours = settings["unit_end_hours"]
    words = [
        hung_words(
            place, out_of_storage_at=out.get(place), started_at=times.started_at, ended_at=times.ended_at, hours=hours
        )
        for place, times in sorted(state.units.items())
    ]
    late = "; ".join(filter(None, words))
    return (Check(ASK, "Time of a unit", late),) if late else ()


def _unit_volumes(state: Tally, carried_out: Done, labels_ml: Mapping[int, float | None]) -> list[str]:
    """What speaks against the volumes of the units: each by itself, or all together where only totals are known."""
    if state.totals is None and state.moved:
        given = {place: state.units[place].in_ml for place in carried_out.places}
        over = [over_unit_words(place, in_ml, labels_ml.get(place)) for place, in_ml in given.items()]
        none = [
            f"unit {place} was started, and nothing of it is entered" for place, in_ml in given.items() if not in_ml
        ]
        return [words for words in over if words] + none
    places: list[int | None] = [*carried_out.places, *[None] * carried_out.units][: carried_out.units]
    words = over_units_words(carried_out.red_cells_in_ml, [labels_ml.get(p) if p else None for p in places])
    return [words] if words else []


def _units_apart(carried_out: Done, labels: Mapping[int, str]) -> str:
    """What the totals and the units say of one another; a unit is what traces a donor, so both must be right."""
    n = len(carried_out.places)
    which = f" ({', '.join(labels.get(place, f'unit {place}') for place in carried_out.places)})" if n else ""
    return (
        f"the totals say {count_of(carried_out.units, 'unit')}, {n or 'none'} {'was' if n == 1 else 'were'} started "
        f"here{which}: put right what is wrong before it is finished"
    )


def _observations(state: Tally, carried_out: Done, settings: Mapping[str, float]) -> tuple[Check, ...]:
    """Nothing where every set was taken, nor for a session of which only its totals came here."""
    if state.totals is None and not state.moved:
        return ()
    missed = missed_observations(state, ended=carried_out.ended_at, slow_first_min=settings["slow_first_min"])
    return (Check(ASK, "Observations", missed),) if missed else ()


def _reactions(state: Tally) -> tuple[Check, ...]:
    """Whoever stopped for a reaction saw something; what is not noted is never followed up, judged or reported."""
    n = len(state.unnoted_stops)
    if not n:
        return ()
    stopped = "stopped for one" if n == 1 else f"stopped {n} times for one"
    return (Check(ASK, "Reaction", f"{stopped}, and none is noted: note what was seen, or say why there was none"),)


def _times(state: Tally, carried_out: Done, now: datetime) -> Check:
    start, end = carried_out.started_at, carried_out.ended_at
    if start is None or end is None:
        return Check(OK, TIMES_LINE, "no volume has a time yet")
    turned = [place for place, t in state.units.items() if t.started_at and t.ended_at and t.ended_at < t.started_at]
    if turned:
        named = ", ".join(f"unit {place}" for place in sorted(turned))
        return Check(STOP, TIMES_LINE, f"{named} ended before it was started; put the time right")
    apart = _outside(state)
    if apart:
        return Check(ASK, TIMES_LINE, f"{apart} lies wholly outside the times of the totals")
    if end > now:
        return Check(STOP, TIMES_LINE, "an entry lies in the future; put its time right")
    hours, minutes = divmod(round((end - start) / timedelta(minutes=1)), 60)
    words = f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"
    too_long = end - start > timedelta(hours=LONGEST_SESSION_H)
    return Check(ASK if too_long else OK, TIMES_LINE, f"{words} from first to last entry")


def _outside(state: Tally) -> str:
    """Name the first unit that was over before the machine began, or was started after it ended; '' where none was."""
    if state.totals is None:
        return ""
    for place, times in sorted(state.units.items()):
        before = times.ended_at is not None and times.ended_at < state.totals.started_at
        if before or (times.started_at is not None and times.started_at > state.totals.ended_at):
            return f"unit {place}"
    return ""


def _conflicts(state: Tally) -> Check:
    name = CONFLICTS_LINE
    if not state.conflicts:
        return Check(OK, name, "none is open")
    pairs = "; ".join(f"entries {first} and {second}" for first, second in state.conflicts)
    return Check(STOP, name, f"{pairs}: say which happened, or that both did")


def sample_check(sample: Sample | None, ended_at: datetime | None, wait_min: float) -> Check:
    """Return the line of the after-sample: how long after the end, from where, and what speaks against it."""
    if sample is None or ended_at is None:
        return Check(ASK, "After-sample", f"not entered; wait here is {wait_min:.0f} min")
    minutes = _minutes_after(sample, ended_at)
    where = f"; {sample.place}" if sample.place else ""
    against = list(sample_doubts(sample, ended_at, wait_min))
    if not sample.entered:
        against.append("As its results say; from which arm or line is not entered.")
    name = f"After-sample {minutes:.0f} min after the end"
    if against:
        said = " ".join(against)
        return Check(ASK, name, f"{said.removesuffix('.')}{where}" if where else said)
    return Check(OK, name, f"wait here is {wait_min:.0f} min{where}")


def _minutes_after(sample: Sample, ended_at: datetime) -> float:
    """Minutes from the end to the sample; 0 for one typed to the minute of the end, which lies seconds before it."""
    return max((sample.taken_at - ended_at) / timedelta(minutes=1), 0.0)


def sample_doubts(sample: Sample, ended_at: datetime, wait_min: float) -> tuple[str, ...]:
    """Return a sentence for everything that makes the after-results doubtful; empty where nothing does."""
    found = []
    minutes = _minutes_after(sample, ended_at)
    if minutes < wait_min:
        found.append(
            f"Taken {minutes:.0f} min after the end, before the wait of {wait_min:.0f} min: "
            "cells and fluid may not have mixed."
        )
    if sample.from_return:
        found.append(
            "Taken from the line or arm through which fluid was given: "
            "a tube diluted by what is left in it is a common cause of results that make no sense."
        )
    return tuple(found)


def closing_checks(after: Afterwards, volumes: Sequence[Check]) -> tuple[Check, ...]:
    """Return the lines that are looked at before a session is closed: those of finishing, and what came after."""
    return (
        *volumes,
        sample_check(after.sample, after.ended_at, after.sample_wait_min),
        _results(after.results),
        *_hb(after.hb),
        Check(OK if after.disposal else ASK, "Disposal of blood drawn", after.disposal or "not entered"),
        Check(OK if after.going_home else ASK, "Going-home observations", after.going_home or "not entered"),
        _rest(after),
        Check(
            OK if after.leaflet else ASK, "Leaflet on late reactions, and whom to call", after.leaflet or "not given"
        ),
    )


def _results(results: Mapping[str, bool]) -> Check:
    out = [name for name, is_in in results.items() if not is_in]
    if not out:
        return Check(OK, "After-results", f"{' and '.join(results)} are in")
    return Check(ASK, "After-results", f"{' and '.join(out)} not in yet")


def _hb(hb: HbAfter | None) -> tuple[Check, ...]:
    """Nothing where it is not over the ceiling; a thick blood that nobody looks at again needs a reason."""
    if hb is None or not hb.is_over:
        return ()
    return (Check(OK if hb.is_answered else ASK, "Hb after", hb.words),)


def _rest(after: Afterwards) -> Check:
    name = "Rest before going home"
    if after.ended_at is None:
        return Check(ASK, name, "the end is not known")
    ends = after.ended_at + timedelta(hours=after.rest_hours)
    local = ends.astimezone(after.now.tzinfo)
    if after.now < ends:
        return Check(WAITING, name, f"ends {local:%H:%M}")
    return Check(OK, name, f"over since {local:%H:%M}")


def vitals_words(body: Mapping[str, object]) -> str:
    """Return one set of observations in words: 'BP 116/70, pulse 76, temperature 36.9 °C'."""
    parts = []
    if body.get("bp_sys") is not None:
        low = body.get("bp_dia")
        parts.append(f"BP {body['bp_sys']:g}" + (f"/{low:g}" if low is not None else ""))
    for name, vital in VITALS.items():
        value = body.get(name)
        if value is not None and not name.startswith("bp_"):
            unit = "" if name in ("pulse", "resp") else f" {vital.unit}"
            parts.append(f"{vital.words} {value:g}{unit}")
    words = str(body.get("words") or "").strip()
    return ", ".join([*parts, *([words] if words else [])])
