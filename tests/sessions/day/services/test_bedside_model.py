"""Random sequences of bedside actions against a plain model written apart: both always tell the same.

Units with their checks; two arms, one arm and a machine; reactions that stop the run; plans changed mid-way, with their
units handed out anew; volumes put right; sessions finished, abandoned, closed and opened again; and entries that waited
in a tablet meanwhile. Of the product only what is tested is used: its services, its reading of what is typed, and the
readings of where a session stands.
"""

from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from sessions.day.numeric.standing import ended_now
from sessions.day.queries import tally_of
from sessions.day.services import finishing
from sessions.day.services.afterwards import add_volume, correct_volume
from sessions.models import DonationUnit, ExchangeSession, ExchangeStep
from sessions.numeric.exchange import Start
from tests.sessions.day.services.bedside_page import ENDS, ENTRY, LABELS, WHO
from tests.sessions.day.services.bedside_turns import WithTurns
from tests.sessions.day.services.plain_bedside import BLOOD_ML, HB, HBS

pytestmark = pytest.mark.either_database


class Bedside(WithTurns):
    """The whole session, to its end and after it."""

    # Its end

    def tidy_up(self, who: int) -> None:
        """What a nurse does before finishing: units ended or put away, two entries at once settled."""
        for unit in list(self.model.units):
            if unit.state == "running":
                self.end_unit(who, unit.place)
            elif unit.state in ("at_chair", "checked"):
                self.put_unit_away(who, unit.place, "returned")
        for pair in sorted(self.model.conflicts()):
            self.enter(who, "both", {"numbers": list(pair)}, {"numbers": list(pair)})
        if self.model.method == "automated" and self.model.machine() is None:
            self.state_totals(who, 258, 0, (-60, -2), 0)

    @precondition(lambda self: self.model.state == "running" and len(self.model.rows) > 10)
    @rule(who=WHO, tidy=st.sampled_from([True, True, False]), abandoned=st.booleans())
    def end(self, who: int, tidy: bool, abandoned: bool) -> None:
        if tidy:
            self.tidy_up(who)
        act = finishing.abandon if abandoned else finishing.finish
        if self.agree(self.model.refuses_finish(abandoned=abandoned), lambda: act(**self.row(), **self.by_now(who))):
            for place, (started, ended) in self.model.unit_times().items():
                if started and not ended:
                    self.keep("unit_ended", who, unit=place)
            self.over("abandoned" if abandoned else "finished")

    @precondition(lambda self: self.model.state == "running")
    @rule(who=WHO, label=st.sampled_from(LABELS), abandoned=st.sampled_from([False, False, True]))
    def the_rest_of_the_session(self, who: int, label: str, abandoned: bool) -> None:
        """So that what comes after the end is reached often enough."""
        for _ in range(5):
            self.time_goes_by(7)
            self.next_for_a_unit(who, label)
        self.end(who, tidy=True, abandoned=abandoned)

    def over(self, state: str) -> None:
        self.keep_notes()
        self.model.state, self.model.first_end = state, self.model.first_end or self.now
        given = self.model.units_given()
        for unit in self.model.units:
            unit.state = "given" if unit.place in given else unit.state

    def row(self, reason: str = "as it was") -> dict[str, Any]:
        row = ExchangeSession.objects.get(pk=self.session.pk)
        return {"exchange_session": row, "version": row.version, "reason": reason}

    @precondition(lambda self: self.model.state == "finished")
    @rule(who=WHO, abandoned=st.sampled_from([False, False, True]))
    def close(self, who: int, abandoned: bool) -> None:
        act = finishing.abandon if abandoned else finishing.close
        done = bool(self.model.moves()) or self.model.machine() is not None
        refused = not abandoned and (not done or bool(self.model.conflicts()))
        if self.agree(refused, lambda: act(**self.row(), **self.by_now(who))):
            self.keep_notes()
            self.model.state = "abandoned" if abandoned else "closed"

    @precondition(lambda self: self.model.state == "closed")
    @rule()
    def open_again(self) -> None:
        finishing.reopen(**self.row(), actor=self.signer, at=self.now)
        self.model.state = "finished"

    @precondition(lambda self: self.model.state in ENDS)
    @rule(who=WHO, number=ENTRY, given=st.sampled_from([0, 100, 250]), drawn=st.sampled_from([0, 100, 250]))
    def put_volume_right(self, who: int, number: int, given: int, drawn: int) -> None:
        model = self.model
        number = model.order[number % len(model.order)].number if model.order else number
        old, asked = model.find(number), {"number": number, "in_ml": given, "out_ml": drawn, "why": "misread"}
        wrong = (
            model.method == "automated"
            or model.state not in ("finished", "abandoned")
            or old is None
            or old.undone
            or old.kind != "moved"
        )
        more = (
            {"fluid": old.said["fluid"], "in": given - old.said["in"], "out": drawn - old.said["out"]}
            if not wrong
            else {}
        )
        refused = wrong or model.is_too_much(more)
        correct = lambda: correct_volume(exchange_session=self.session, **asked, **self.by_now(who))  # noqa: E731
        if self.agree(refused, correct):
            at, place = model.when(old), model.order.index(old)
            self.keep("undo", who, number=number)
            if given or drawn:
                self.add_at(place + 1, who, at, {**old.said, "in": given, "out": drawn})

    @precondition(lambda self: self.model.state in ENDS)
    @rule(who=WHO, minutes=st.integers(-300, 10), given=st.sampled_from([0, 150]), drawn=st.sampled_from([150, 300]))
    def add_volume(self, who: int, minutes: int, given: int, drawn: int) -> None:
        model, at = self.model, self.now + timedelta(minutes=minutes)
        step = 1 + max([*model.plan, *(row.said["step"] for row in model.moves())])
        said = {"step": step, "in": given, "out": drawn, "unit": None, "fluid": "saline"}
        refused = (
            model.method == "automated" or model.state not in ("finished", "abandoned") or model.cannot_be(at, self.now)
        )
        refused = refused or model.is_too_much(said)
        asked = {"in_ml": given, "out_ml": drawn, "happened_at": at, "why": "Hb too high"}
        if self.agree(refused, lambda: add_volume(exchange_session=self.session, **asked, **self.by_now(who))):
            before = [n for n, row in enumerate(model.order) if not row.undone and model.when(row) <= at]
            self.add_at(max(before, default=-1) + 1, who, at, said)

    def add_at(self, place: int, who: int, at: datetime, said: dict) -> None:
        model = self.model
        model.keep("moved", self.nurses[who].pk, at, len(model.rows), said)
        model.order.insert(place, model.order.pop())

    # What both must tell

    @invariant()
    def both_tell_the_same(self) -> None:
        state, model = tally_of(self.session), self.model
        moves = model.moves()
        assert [(m.number, m.in_ml, m.out_ml) for m in state.moved] == [
            (r.number, r.said["in"], r.said["out"]) for r in moves
        ]
        assert [m.at for m in state.moved] == [model.when(row) for row in moves]
        balance, lowest, highest = 0, 0, 0
        for row in moves:
            balance += row.said["in"] - row.said["out"]
            lowest, highest = min(lowest, balance), max(highest, balance)
        assert (state.balance_ml, state.deepest_ml, state.highest_ml) == (balance, lowest, highest)
        assert state.red_cells_in_ml == model.moved()["red_cells"]
        assert (None if state.totals is None else state.totals.blood_out_ml) == (model.machine() or {}).get("out")
        assert [step.done for step in state.steps] == [model.step_is_done(number) for number in model.plan]
        assert set(state.conflicts) == model.conflicts()
        assert (state.paused_since is not None, state.halted) == (model.paused(), model.halt() is not None)
        assert state.undone == {row.number for row in model.rows if row.undone}
        assert state.last_number == len(model.rows)
        now = ended_now(Start(BLOOD_ML, HB, HBS), state.as_steps(), hb_sd_g_l=1.0, hbs_sd_pct=0.5)
        expected = model.hb_and_hbs()
        if expected is None:
            assert now is None
        else:
            assert now is not None
            assert (now.hb.value, now.hbs.value) == pytest.approx(expected, rel=1e-9)

    @invariant()
    def units_are_where_they_are(self) -> None:
        model, times = self.model, self.model.unit_times()
        rows = DonationUnit.objects.filter(exchange_session=self.session).order_by("pk")
        assert [(row.place, row.donation_number, row.state) for row in rows] == [
            (unit.place, unit.label, unit.state) for unit in model.units
        ]
        state = tally_of(self.session)
        for unit in model.units:
            found = state.units.get(unit.place)
            assert (found.in_ml if found else 0) == model.given_of(unit)
            assert ((found.started_at, found.ended_at) if found else (None, None)) == times.get(
                unit.place, (None, None)
            )
        if model.state != "running":
            assert [(row.started_at, row.ended_at) for row in rows if row.place in times] == [
                times[unit.place] for unit in model.units if unit.place in times
            ]

    @precondition(lambda self: self.model.state != "running")
    @invariant()
    def what_is_stored_is_what_was_done(self) -> None:
        row, model = ExchangeSession.objects.get(pk=self.session.pk), self.model
        totals = model.totals()
        assert row.state == model.state
        assert (row.saline_in_ml, row.red_cells_in_ml, row.blood_out_ml) == tuple(totals.values())
        assert (row.started_at, row.ended_at) == model.start_and_end()
        assert row.units == len(model.units_given())
        steps = ExchangeStep.objects.filter(exchange_session=self.session).exclude(in_ml=0, out_ml=0).order_by("number")
        assert [(step.fluid, step.in_ml, step.out_ml, step.ended_at) for step in steps] == model.steps()


METHODS = ("two_arm", "one_arm", "automated")


@pytest.mark.django_db
@pytest.mark.parametrize("method", METHODS)
def test_random_actions_at_the_bedside_agree_with_a_plain_model(method: str) -> None:
    run_state_machine_as_test(lambda: Bedside(method), settings=settings(max_examples=8, stateful_step_count=25))


@pytest.mark.soak
@pytest.mark.django_db
@pytest.mark.parametrize("method", METHODS)
def test_thousands_of_random_actions_agree_with_a_plain_model(method: str) -> None:
    run_state_machine_as_test(lambda: Bedside(method), settings=settings(max_examples=150, stateful_step_count=50))
