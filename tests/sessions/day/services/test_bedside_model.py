"""Random sequences of bedside actions against a plain model written apart: both always tell the same.

The model keeps its own list of what was entered and works everything out from it by loops over plain numbers. Of the
product it uses only what is tested: the service that keeps entries, and the readings of where the session stands.
"""

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from sessions.day.models import Entry
from sessions.day.numeric.standing import ended_now
from sessions.day.queries import tally_of
from sessions.day.services.entering import add_entry
from sessions.models import ExchangeSession
from sessions.numeric.exchange import Start
from tests.factories import NOW, make_patient, make_running, make_site, make_user

# The plan of `make_running`, written out: step → (fluid, in, out).
PLAN = {1: ("saline", 400.0, 400.0), 2: ("cells", 516.0, 500.0)}
BLOOD_ML, HB, HBS, CELLS_HB = 4000.0, 94.0, 30.0, 194.0
TAKES_UNDO = {"moved", "step_done", "observation", "pause", "resume", "note", "time", "both"}
TAKES_TIME = {"moved", "step_done", "observation", "pause", "resume", "note"}
AFTER_THE_END = {"observation", "note", "undo", "time", "both"}


@dataclass
class Row:
    """One entry as the model knows it."""

    number: int
    kind: str
    by: int
    at: datetime
    seen: int = 0
    said: dict = field(default_factory=dict)
    undone: bool = False


class Model:
    """The plain second version."""

    def __init__(self, start: datetime, by: int) -> None:
        self.start, self.running = start, True
        self.rows = [Row(1, "start_check", by, start), Row(2, "observation", by, start)]

    def find(self, number: int) -> Row | None:
        return self.rows[number - 1] if 1 <= number <= len(self.rows) else None

    def refuses(self, kind: str, said: dict, now: datetime) -> bool:
        if not self.running and kind not in AFTER_THE_END:
            return True
        if kind == "moved":
            return said["in"] == said["out"] == 0
        if kind in ("undo", "time"):
            row = self.find(said["number"])
            allowed = TAKES_UNDO if kind == "undo" else TAKES_TIME
            wrong = row is None or row.undone or row.kind not in allowed
            if kind == "undo":
                return wrong
            return wrong or said["at"] > now or said["at"] < self.start - timedelta(hours=4)
        if kind == "both":
            rows = [self.find(number) for number in said["numbers"]]
            return len(set(said["numbers"])) < 2 or any(r is None or r.undone or r.kind != "moved" for r in rows)
        return False

    def keep(self, kind: str, by: int, at: datetime, seen: int, said: dict) -> int:
        if kind == "undo":
            self.rows[said["number"] - 1].undone = True
        self.rows.append(Row(len(self.rows) + 1, kind, by, at, min(seen, len(self.rows)), said))
        return len(self.rows)

    def moves(self) -> list[Row]:
        return [row for row in self.rows if row.kind == "moved" and not row.undone]

    def when(self, row: Row) -> datetime:
        at = row.at
        for fix in self.rows:
            if fix.kind == "time" and not fix.undone and fix.said["number"] == row.number:
                at = fix.said["at"]
        return at

    def step_is_done(self, number: int) -> bool:
        if any(r.kind == "step_done" and not r.undone and r.said["step"] == number for r in self.rows):
            return True
        mine = [row for row in self.moves() if row.said["step"] == number]
        _, in_ml, out_ml = PLAN[number]
        given, drawn = sum(r.said["in"] for r in mine), sum(r.said["out"] for r in mine)
        # 5 % of either step is over 10 mL.
        return bool(mine) and given >= 0.95 * in_ml and drawn >= 0.95 * out_ml

    def conflicts(self) -> set[tuple[int, int]]:
        settled = [set(r.said["numbers"]) for r in self.rows if r.kind == "both" and not r.undone]
        found = set()
        for first in self.moves():
            for second in self.moves():
                apart = second.number > first.number > second.seen and first.by != second.by
                pair = {first.number, second.number}
                if apart and first.said["step"] == second.said["step"] and pair not in settled:
                    found.add((first.number, second.number))
        return found

    def paused(self) -> bool:
        kinds = [row.kind for row in self.rows if row.kind in ("pause", "resume") and not row.undone]
        return bool(kinds) and kinds[-1] == "pause"

    def hb_and_hbs(self) -> tuple[float, float] | None:
        """The wash-out worked step by step: Hb settled at the starting volume, and HbS."""
        volume, old, fresh = BLOOD_ML, HB, 0.0
        for row in self.moves():
            given, drawn = row.said["in"], row.said["out"]
            after = volume + given - drawn
            if after <= 0:
                return None
            mean = volume if after == volume else (after - volume) / math.log(after / volume)
            left = math.exp(-given / mean)
            hb = CELLS_HB if PLAN[row.said["step"]][0] == "cells" and given else 0.0
            old, fresh, volume = old * left, hb + (fresh - hb) * left, after
        return (old + fresh) * volume / BLOOD_ML, HBS * old / (old + fresh)


class Bedside(RuleBasedStateMachine):
    """Two nurses at one session, each having seen what they have seen."""

    def __init__(self) -> None:
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()
        site = make_site()
        signer = make_user(site=site, role="consultant")
        self.session = make_running(make_patient(site=site), by=signer, unit_state="running")
        self.nurses = [make_user(site=site), make_user(site=site, username="second.nurse")]
        self.seen, self.now, self.keys = [2, 2], NOW, []
        self.model = Model(NOW, signer.pk)

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.atomic.__exit__(None, None, None)

    def enter(self, who: int, kind: str, body: dict, said: dict, waited: int = 0, why: str = "as it was") -> None:
        nurse, key = self.nurses[who], f"key-{len(self.keys)}-{len(self.model.rows)}"
        sent = {"key": key, "kind": kind, "body": body, "actor": nurse, "why": why, "seen": self.seen[who]}
        if self.model.refuses(kind, said, self.now):
            before = Entry.objects.count()
            with pytest.raises(ValidationError):
                add_entry(exchange_session=self.session, at=self.now, waited_s=waited, **sent)
            assert Entry.objects.count() == before
            return
        entry = add_entry(exchange_session=self.session, at=self.now, waited_s=waited, **sent)
        at = self.now - timedelta(seconds=waited)
        assert entry.number == self.model.keep(kind, nurse.pk, at, self.seen[who], said)
        self.keys.append((sent, entry.number))

    who = st.integers(0, 1)
    entry = st.integers(1, 14)

    @rule(who=who)
    def look(self, who: int) -> None:
        self.seen[who] = len(self.model.rows)

    @rule(minutes=st.integers(1, 20))
    def time_goes_by(self, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)

    @rule(
        who=who,
        step=st.sampled_from([1, 2]),
        given=st.sampled_from([0, 188, 190, 200, 258, 400]),
        drawn=st.sampled_from([0, 188, 200, 245, 250, 500]),
        waited=st.sampled_from([0, 0, 30, 240]),
        looks=st.booleans(),
    )
    def move(self, who: int, step: int, given: int, drawn: int, waited: int, looks: bool) -> None:
        if looks:
            self.look(who)
        body = {"step": step, "in_ml": given, "out_ml": drawn}
        if step == 2 and given:
            body["unit"] = 1
        self.enter(who, "moved", body, {"step": step, "in": given, "out": drawn}, waited)

    @rule(who=who, step=st.sampled_from([1, 2]))
    def step_is_over(self, who: int, step: int) -> None:
        self.enter(who, "step_done", {"step": step}, {"step": step})

    @rule(who=who, number=entry)
    def undo(self, who: int, number: int) -> None:
        self.enter(who, "undo", {"number": number}, {"number": number})

    @rule(who=who, number=entry, minutes=st.integers(-300, 30))
    def put_time_right(self, who: int, number: int, minutes: int) -> None:
        at = self.now + timedelta(minutes=minutes)
        self.enter(who, "time", {"number": number, "happened_at": at.isoformat()}, {"number": number, "at": at})

    @precondition(lambda self: self.model.conflicts())
    @rule(who=who, data=st.data())
    def settle(self, who: int, data: st.DataObject) -> None:
        pair = data.draw(st.sampled_from(sorted(self.model.conflicts())))
        self.enter(who, "both", {"numbers": list(pair)}, {"numbers": list(pair)})

    @rule(who=who, first=entry, second=entry)
    def call_both_true(self, who: int, first: int, second: int) -> None:
        self.enter(who, "both", {"numbers": [first, second]}, {"numbers": [first, second]})

    @rule(who=who, kind=st.sampled_from(["pause", "resume", "note"]))
    def pause_or_go_on(self, who: int, kind: str) -> None:
        self.enter(who, kind, {"words": "cannula"}, {})

    @rule(who=who, pulse=st.integers(40, 130))
    def observe(self, who: int, pulse: int) -> None:
        self.enter(who, "observation", {"moment": "interval", "pulse": pulse}, {})

    @precondition(lambda self: self.keys)
    @rule(data=st.data())
    def send_again(self, data: st.DataObject) -> None:
        sent, number = data.draw(st.sampled_from(self.keys))
        before = Entry.objects.count()
        assert add_entry(exchange_session=self.session, at=self.now, waited_s=60, **sent).number == number
        assert Entry.objects.count() == before

    @precondition(lambda self: len(self.model.rows) > 12)
    @rule()
    def finish(self) -> None:
        ExchangeSession.objects.filter(pk=self.session.pk).update(state="finished")
        self.model.running = False

    @invariant()
    def both_tell_the_same(self) -> None:
        state, model = tally_of(self.session), self.model
        moves = model.moves()
        assert [(m.number, m.in_ml, m.out_ml) for m in state.moved] == [
            (r.number, r.said["in"], r.said["out"]) for r in moves
        ]
        assert [m.at for m in state.moved] == [model.when(row) for row in moves]
        balance, lowest, highest, cells = 0, 0, 0, 0
        for row in moves:
            balance += row.said["in"] - row.said["out"]
            lowest, highest = min(lowest, balance), max(highest, balance)
            cells += row.said["in"] if row.said["step"] == 2 else 0
        assert (state.balance_ml, state.deepest_ml, state.highest_ml) == (balance, lowest, highest)
        assert (state.red_cells_in_ml, state.units[1].in_ml if 1 in state.units else 0) == (cells, cells)
        assert [step.done for step in state.steps] == [model.step_is_done(1), model.step_is_done(2)]
        assert set(state.conflicts) == model.conflicts()
        assert (state.paused_since is not None) == model.paused()
        assert state.undone == {row.number for row in model.rows if row.undone}
        assert state.last_number == len(model.rows)
        now = ended_now(Start(BLOOD_ML, HB, HBS), state.as_steps(), hb_sd_g_l=1.0, hbs_sd_pct=0.5)
        expected = model.hb_and_hbs()
        if expected is None:
            assert now is None
        else:
            assert now is not None
            assert (now.hb.value, now.hbs.value) == pytest.approx(expected, rel=1e-9)


@pytest.mark.django_db
def test_random_actions_at_the_bedside_agree_with_a_plain_model() -> None:
    run_state_machine_as_test(Bedside, settings=settings(max_examples=30, stateful_step_count=25))


@pytest.mark.soak
@pytest.mark.django_db
def test_thousands_of_random_actions_agree_with_a_plain_model() -> None:
    run_state_machine_as_test(Bedside, settings=settings(max_examples=400, stateful_step_count=50))
