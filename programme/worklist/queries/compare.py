"""Two spans of one person's course side by side, with the difference in words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from patients.models import Patient
from programme.worklist.numeric.spans import Line, compare
from programme.worklist.numeric.words import figure, full_day_words
from programme.worklist.queries.clinic import known_of, year_before
from programme.worklist.queries.course import CoursePage, read_course

NOTHING = "–"


@dataclass(frozen=True, slots=True)
class Compared:
    """One line in figures and words."""

    name: str
    unit: str
    first: str
    second: str
    words: str
    stands_out: bool


@dataclass(frozen=True, slots=True)
class ComparePage:
    course: CoursePage
    spans: tuple[str, str]
    sessions: tuple[int, int]
    lines: tuple[Compared, ...]


Days = tuple[date, date]


def usual_spans(today: date) -> tuple[Days, Days]:
    """Return the twelve months before the last twelve, and the last twelve."""
    first = year_before(today)
    last = first - timedelta(days=1)
    return (year_before(last), last), (first, today)


def compare_page(patient: Patient, first: Days, second: Days, now: datetime) -> ComparePage:
    """Return two spans of a person side by side; a fixed number of queries."""
    course = read_course(patient, now)
    known = known_of(patient, course.sessions, now.date())
    one, other = known.span(*first), known.span(*second)
    return ComparePage(
        course=course,
        spans=(_days(first), _days(second)),
        sessions=(len(one.done), len(other.done)),
        lines=tuple(_compared(line) for line in compare(one, other)),
    )


def _days(span: Days) -> str:
    return f"{full_day_words(span[0])} to {full_day_words(span[1])}"


def _compared(line: Line) -> Compared:
    said = line.difference

    def shown(value: float | None) -> str:
        return NOTHING if value is None else figure(value, line.places)

    return Compared(
        line.name, line.unit, shown(said.first), shown(said.second), difference_words(line), said.stands_out
    )


def difference_words(line: Line) -> str:
    """Return the difference, second less first: '3.1 higher (0.9 to 5.3)', with what is not sure said to be so."""
    said, places = line.difference, line.places
    if said.change is None:
        return "cannot say: not known in both spans"
    same = float(f"{said.change:.{places}f}") == 0
    much = "no difference" if same else f"{figure(abs(said.change), places)} {'higher' if said.change > 0 else 'lower'}"
    if line.counted:
        return f"{much}; counted, not sampled"
    if said.low is None or said.high is None:
        return f"{much}; too few values to say how sure"
    interval = f"95 in 100: {figure(said.low, places)} to {figure(said.high, places)}"
    return f"{much} ({interval})" if said.stands_out or same else f"{much} ({interval}), which may be chance"
