"""The same when it takes a turn: a reaction stops the run, a consultant lifts what it locked, the plan is changed."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule

from programme.bedside.numeric.laid import Laid
from programme.bedside.queries.midway import draft_midway, midway
from sessions.day.inputs import open_signs
from sessions.day.models import AdverseEvent, FollowUp, Prescription
from sessions.day.services.prescribing import change_plan
from sessions.day.services.reacting import Judgement, Seen, note_reaction, stop_for_reaction
from sessions.models import ExchangeSession
from sessions.services import lift_lock
from tests.sessions.day.services.bedside_page import LABELS, WHO
from tests.sessions.day.services.bedside_units import WithUnits
from tests.sessions.day.services.plain_plan import UNIT_ML, Row

CELLS_HB = 194.0
ROWS = st.lists(
    st.sampled_from([("saline", 200.0, 200.0), *(("red_cells", UNIT_ML * n, 250.0 * n) for n in (1, 1, 2, 3))]),
    max_size=4,
)


class WithTurns(WithUnits):
    @initialize(who=WHO, label=st.sampled_from(LABELS), turns=st.integers(0, 9), ahead=st.integers(0, 3))
    def usual_beginning(self, who: int, label: str, turns: int, ahead: int) -> None:
        """So that what is random meets units at the chair, checked in another order, hanging and given."""
        self.move(who, 1, given=400, drawn=400, unit=None, waited=0, looks=True)
        for early in LABELS[:ahead]:
            self.bring_unit(who, early)
        self.check_unit(who, ahead, by_two=True, alone=False, right_bag=True)
        for _ in range(turns):
            self.time_goes_by(7)
            self.next_for_a_unit(who, label)

    # Reactions

    @rule(who=WHO)
    def stop(self, who: int) -> None:
        stopped = stop_for_reaction(exchange_session=self.session, **self.by_now(who))
        assert (stopped is not None) == self.model.stop(self.nurses[who].pk, self.now)

    @rule(
        who=WHO,
        kind=st.sampled_from(["febrile", "acute_haemolytic", "taco", "other"]),
        minutes=st.sampled_from([0, 0, -1, -10, -90, 1]),
        place=st.sampled_from([None, None, 1, 2, 20]),
        signs=st.sampled_from(["rigors", "rigors", "rigors", ""]),
    )
    def react(self, who: int, kind: str, minutes: int, place: int | None, signs: str) -> None:
        model, at = self.model, self.now + timedelta(minutes=minutes)
        asked = {"patient": self.session.patient, "exchange_session": self.session, "judgement": Judgement()}
        seen = Seen(kind, at, place, signs=signs, done="stopped")
        refused = model.refuses_reaction(at, place, signs, self.now)
        if self.agree(refused, lambda: note_reaction(seen=seen, **asked, **self.by_now(who))):
            model.react(kind, place, self.nurses[who].pk, at, self.now)

    @precondition(lambda self: self.model.state == "running")
    @rule(who=WHO, kind=st.sampled_from(["febrile", "delayed_haemolytic"]), label=st.sampled_from(LABELS))
    def react_and_try_to_go_on(self, who: int, kind: str, label: str) -> None:
        self.react(who, kind, 0, None, "rigors")
        for _ in range(3):
            self.next_for_a_unit(1 - who, label)
        self.undo_newest(who, "pause")
        self.undo_newest(who, "resume")

    @precondition(lambda self: self.model.sign_open)
    @rule()
    def lift(self) -> None:
        lift_lock(patient=self.session.patient, reason="no haemolysis", actor=self.signer, at=self.now)
        self.model.sign_open = False
        self.time_goes_by(1)  # a sign of the same moment counts as one that was judged

    @invariant()
    def each_reaction_is_kept_and_followed_up(self) -> None:
        events = AdverseEvent.objects.filter(exchange_session=self.session).order_by("pk").select_related("unit")
        assert len(events) == len(self.model.reactions)
        assert [event.kind for event in events] == [kind for kind, _ in self.model.reactions]
        assert [event.unit is None for event in events] == [place is None for _, place in self.model.reactions]
        follow_ups = FollowUp.objects.filter(exchange_session=self.session, kind=FollowUp.Kind.REACTION)
        days = sorted(follow_ups.values_list("due_on", flat=True))
        assert days == sorted((event.noted_at + timedelta(days=1)).date() for event in events)
        assert bool(open_signs(self.session.patient)) == self.model.sign_open

    # The plan changed mid-way

    @precondition(lambda self: self.model.method != "automated")
    @rule(who=WHO, rows=ROWS, fit=st.sampled_from([True, True, True, False]))
    def change_the_plan(self, who: int, rows: list[Row], fit: bool) -> None:
        model = self.model
        if model.is_across():
            return
        typed = model.fit(rows) if fit else rows
        rows = model.apart(typed)
        refused = model.state != "running" or model.refuses_change(rows)
        if self.agree(refused, self.changing(who, typed)):
            plan = Prescription.objects.in_force().get(exchange_session=self.session)
            steps = [(step["fluid"], step["in_ml"], step["out_ml"]) for step in plan.steps]
            assert steps == model.as_changed(rows)
            places = [tuple(step["units"]) for step in plan.steps]
            assert plan.units == len({place for units in places for place in units})
            model.change(rows, places)
            self.keep("plan", who)

    def changing(self, who: int, rows: list[Row]) -> Callable[[], Any]:
        left = [Laid(fluid, into, out, CELLS_HB if fluid == "red_cells" else 0.0) for fluid, into, out in rows]

        def change() -> None:
            session = ExchangeSession.objects.select_related("patient__site").get(pk=self.session.pk)
            # Which limits a plan passes is another test's matter: none of these is held against them.
            draft = replace(draft_midway(midway(session), left, at=self.now), limits=[])
            change_plan(
                exchange_session=session, draft=draft, signed_by=self.signer, reasons={}, actor=self.nurses[who],
                at=self.now, why="as it went",
            )  # fmt: skip

        return change
