"""When observations are due. Within 60 min before, at 15 min and at the end: clinical pages of NZ Blood, and the Royal
Marsden Manual 12.21."""

from datetime import UTC, datetime, timedelta

import pytest

from sessions.day.numeric.clocks import missed_observations, next_observations
from sessions.day.numeric.entries import STOPPED_FOR_A_REACTION, Said
from sessions.day.numeric.tally import PlannedStep, tally

NINE = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
PLAN = (PlannedStep(1, "saline", 200, 200), PlannedStep(2, "red_cells", 258, 250, (1,), 194.0))


def due(*entries: tuple[int, str, dict]) -> tuple[int, str]:
    """(minutes after nine, moment) of what is due after entries (minute, kind, body)."""
    said = []
    for n, (minute, kind, body) in enumerate(entries, 1):
        at = NINE + timedelta(minutes=minute)
        said.append(Said(n, kind, body, at, at, 1, n - 1))
    found = next_observations(tally(PLAN, said), started_at=NINE, interval_min=30, slow_first_min=15)
    return round((found.at - NINE).total_seconds() / 60), found.moment


SEEN = {"moment": "interval", "pulse": 80}
SALINE = {"step": 1, "in_ml": 200, "out_ml": 200}
UNIT = {"step": 2, "in_ml": 258, "out_ml": 250, "unit": 1}


def test_without_any_they_are_due_at_the_start() -> None:
    assert due() == (0, "before")


def test_they_are_due_at_the_interval_after_the_last() -> None:
    assert due((-5, "observation", SEEN)) == (25, "interval")
    assert due((-5, "observation", SEEN), (20, "observation", SEEN)) == (50, "interval")


def test_fifteen_minutes_into_each_unit_they_are_due_unless_taken_about_then() -> None:
    started = (30, "unit_started", {"unit": 1})
    assert due((20, "observation", SEEN), started) == (45, "after_15")
    assert due((20, "observation", SEEN), started, (41, "observation", SEEN)) == (71, "interval")
    assert due((20, "observation", SEEN), started, (35, "observation", SEEN)) == (45, "after_15")


def test_a_unit_nobody_started_by_a_touch_counts_from_its_first_volume() -> None:
    assert due((20, "observation", SEEN), (32, "moved", UNIT)) == (47, "after_15")


def test_at_the_end_they_are_due_at_once() -> None:
    done = [(10, "observation", SEEN), (12, "moved", SALINE), (20, "moved", UNIT)]
    assert due(*done) == (20, "end")
    assert due(*done, (36, "observation", {"moment": "end", "pulse": 80})) == (66, "interval")


def test_at_a_stop_for_a_reaction_they_are_due_at_once_and_every_few_minutes_until_it_goes_on() -> None:
    # That they are taken at once and every few minutes is common practice; five minutes is from memory.
    seen, again = (28, "observation", SEEN), (34, "observation", {"moment": "reaction", "pulse": 110})
    stop = (32, "pause", {"words": STOPPED_FOR_A_REACTION})
    assert due(seen, stop) == (32, "reaction")
    assert due(seen, stop, again) == (39, "reaction")
    noted = (36, "reaction", {"words": "reaction: febrile, not haemolytic", "reaction": "febrile"})
    assert due(seen, stop, again, noted) == (39, "reaction")
    assert due(seen, stop, again, noted, (60, "resume", {"words": "R. Marsh: mild"})) == (64, "interval")
    # Paused for something else, the reaction seen meanwhile.
    assert due(seen, (30, "pause", {"words": "toilet"}), (33, "reaction", noted[2])) == (33, "reaction")
    assert due(seen, (30, "pause", {"words": "toilet"})) == (58, "interval")


def test_an_undone_observation_does_not_count() -> None:
    assert due((5, "observation", SEEN), (20, "observation", SEEN), (21, "undo", {"number": 2})) == (35, "interval")


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        ((), "none 15 min into units 1 and 2, none at the end"),
        ((100,), "none 15 min into unit 1"),  # the last of three late ones, when the second unit has just ended
        ((45, 85, 100), ""),
        ((40, 80, 95), ""),  # each five minutes early
        ((39, 80, 95), "none 15 min into unit 1"),
        ((65, 100), ""),  # five minutes after the first unit has ended
        ((66, 100), "none 15 min into unit 1"),
        ((45, 85), "none at the end"),
    ],
)
def test_sets_that_were_not_taken_are_named_at_the_end(minutes: tuple[int, ...], words: str) -> None:
    """Unit 1 from 30 to 60 minutes, unit 2 from 70 to 100, which is the end."""
    times = [(30, "unit_started", 1), (60, "unit_ended", 1), (70, "unit_started", 2), (100, "unit_ended", 2)]
    found = [(minute, kind, {"unit": place}) for minute, kind, place in times]
    found += [(minute, "observation", SEEN) for minute in minutes]
    state = tally(PLAN, [Said(n, k, b, at(m), at(m), 1, n - 1) for n, (m, k, b) in enumerate(found, 1)])
    assert missed_observations(state, ended=at(100), slow_first_min=15) == words


def test_a_unit_that_ended_before_its_fifteen_minutes_has_no_set_of_its_own() -> None:
    found = [(30, "unit_started", {"unit": 1}), (39, "unit_ended", {"unit": 1}), (39, "observation", SEEN)]
    state = tally(PLAN, [Said(n, k, b, at(m), at(m), 1, n - 1) for n, (m, k, b) in enumerate(found, 1)])
    assert missed_observations(state, ended=at(39), slow_first_min=15) == ""


def at(minute: float) -> datetime:
    return NINE + timedelta(minutes=minute)
