"""Two nurses at one session, as a state machine: what is sent from the bedside page, done by both sides at once."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    precondition,
    rule,
)

from patients.models import CrossmatchSample
from programme.bedside.forms.entering import body_of
from programme.bedside.queries.chair import Chair
from sessions.day.models import Entry
from sessions.day.numeric.machine import Totals
from sessions.day.services.afterwards import correct_totals
from sessions.day.services.entering import add_entry
from sessions.models import DonationUnit
from tests.factories import NOW, make_needs, make_patient, make_running, make_site, make_user
from tests.sessions.day.services.plain_bedside import Model
from tests.sessions.day.services.plain_entries import STOPPED, Unit

STEPS = [
    {"number": 1, "fluid": "saline", "units": [], "in_ml": 400, "out_ml": 400, "draws": [200, 200], "why": ""},
    {
        "number": 2, "fluid": "red_cells", "units": [1, 2, 3], "in_ml": 774, "out_ml": 750, "draws": [250] * 3,
        "why": "", "cells_hb_g_l": 194.0,
    },
]  # fmt: skip
LABELS = tuple(f"Z99902600041{n}" for n in range(4))
WHO, ENTRY, PLACE = st.integers(0, 1), st.integers(1, 30), st.integers(1, 3)
ENDS = ("finished", "abandoned", "closed")


class OnThePage(RuleBasedStateMachine):
    """Two nurses at one session, each having seen what they have seen."""

    def __init__(self, method: str) -> None:
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()
        site = make_site()
        self.signer = make_user(site=site, role="consultant")
        patient = make_patient(site=site)
        make_needs(patient)
        CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(hours=20))
        self.session = make_running(patient, by=self.signer, units=0, method=method, steps=STEPS)
        self.nurses = [make_user(site=site), make_user(site=site, username="second.nurse")]
        self.seen, self.now, self.keys, self.count = [2, 2], NOW, [], 0
        self.model = Model(NOW, self.signer.pk, method)

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.atomic.__exit__(None, None, None)

    # How it is done

    def key(self) -> str:
        self.count += 1
        return f"key-{self.count}"

    def agree(self, refused: bool, act: Callable[[], Any]) -> bool:
        """Do it; where the model refuses, the product must refuse too and keep nothing. Return whether it was done."""
        if not refused:
            act()
            return True
        before = Entry.objects.count()
        with pytest.raises((ValidationError, ValueError)):
            act()
        assert Entry.objects.count() == before
        return False

    def enter(self, who: int, kind: str, body: dict | Callable, said: dict, waited: int = 0) -> None:
        nurse = self.nurses[who]
        sent = {"key": self.key(), "kind": kind, "body": body, "actor": nurse, "why": "so", "seen": self.seen[who]}
        refused = self.model.refuses(kind, said, self.now, nurse.pk, self.seen[who], waited)
        given = {"exchange_session": self.session, "at": self.now, "waited_s": waited}
        if self.agree(refused, lambda: add_entry(**given, **sent)):
            at = self.now - timedelta(seconds=waited)
            number = self.model.keep(kind, nurse.pk, at, self.seen[who], said, waited > 5)
            assert Entry.objects.latest("number").number == number
            self.keys.append((sent, number))

    def by_now(self, who: int | None = None) -> dict[str, Any]:
        actor = self.signer if who is None else self.nurses[who]
        return {"key": self.key(), "actor": actor, "at": self.now}

    def of(self, unit: Unit, who: int) -> dict[str, Any]:
        row = DonationUnit.objects.get(exchange_session=self.session, place=unit.place)
        return {"unit": row, "version": row.version, **self.by_now(who)}

    def keep(self, kind: str, who: int, **said: Any) -> None:
        """What a page of its own enters: it has seen nothing of the others, and that does not matter."""
        self.model.keep(kind, self.nurses[who].pk, self.now, 0, said)

    def keep_notes(self) -> None:
        """A reason for what is passed over is kept as a note; how many there are is no matter of this test."""
        for entry in Entry.objects.filter(number__gt=len(self.model.rows)).order_by("number"):
            assert entry.kind == "note"
            self.model.keep("note", entry.by_id, entry.happened_at, entry.seen, {"words": "so"})

    # What is sent from the bedside page

    @rule(who=WHO)
    def look(self, who: int) -> None:
        self.seen[who] = len(self.model.rows)

    @rule(minutes=st.integers(1, 20))
    def time_goes_by(self, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)

    @rule(
        who=WHO,
        step=st.sampled_from([1, 2, 2, 2, 3, 4]),
        given=st.sampled_from([0, 188, 190, 200, 258, 400]),
        drawn=st.sampled_from([0, 188, 200, 245, 250, 500]),
        unit=st.sampled_from([None, 1, 1, 2, 3]),
        waited=st.sampled_from([0, 0, 30, 240]),
        looks=st.booleans(),
    )
    def move(self, who: int, step: int, given: int, drawn: int, unit: int | None, waited: int, looks: bool) -> None:
        if looks:
            self.look(who)
        unit = unit if given else None
        typed = {"step": str(step), "in_ml": str(given), "out_ml": str(drawn)} | ({"unit": str(unit)} if unit else {})
        said = {"step": step, "in": given, "out": drawn, "unit": unit, "fluid": self.model.fluid_at(step)}
        read = lambda: body_of("moved", typed, Chair(self.session, self.now))  # noqa: E731
        self.enter(who, "moved", read, said, waited)

    @rule(who=WHO, step=st.sampled_from([1, 2, 3]))
    def step_is_over(self, who: int, step: int) -> None:
        self.enter(who, "step_done", {"step": step}, {"step": step})

    @rule(who=WHO, number=ENTRY, waited=st.sampled_from([0, 0, 120]))
    def undo(self, who: int, number: int, waited: int) -> None:
        number = 1 + number % (len(self.model.rows) + 1)
        self.enter(who, "undo", {"number": number}, {"number": number}, waited)

    @rule(who=WHO, kind=st.sampled_from(["moved", "step_done", "pause", "resume", "reaction", "plan"]))
    def undo_newest(self, who: int, kind: str) -> None:
        numbers = [row.number for row in self.model.rows if row.kind == kind and not row.undone]
        if numbers:
            self.enter(who, "undo", {"number": numbers[-1]}, {"number": numbers[-1]})

    @rule(who=WHO, number=ENTRY, minutes=st.integers(-300, 30))
    def put_time_right(self, who: int, number: int, minutes: int) -> None:
        number, at = 1 + number % (len(self.model.rows) + 1), self.now + timedelta(minutes=minutes)
        self.enter(who, "time", {"number": number, "happened_at": at.isoformat()}, {"number": number, "at": at})

    @precondition(lambda self: self.model.conflicts())
    @rule(who=WHO, data=st.data())
    def settle(self, who: int, data: st.DataObject) -> None:
        pair = data.draw(st.sampled_from(sorted(self.model.conflicts())))
        self.enter(who, "both", {"numbers": list(pair)}, {"numbers": list(pair)})

    @rule(who=WHO, first=ENTRY, second=ENTRY)
    def call_both_true(self, who: int, first: int, second: int) -> None:
        self.enter(who, "both", {"numbers": [first, second]}, {"numbers": [first, second]})

    @rule(
        who=WHO,
        kind=st.sampled_from(["pause", "resume", "note"]),
        words=st.sampled_from(["cannula", "cannula", STOPPED, ""]),
        waited=st.sampled_from([0, 0, 120]),
    )
    def pause_or_go_on(self, who: int, kind: str, words: str, waited: int) -> None:
        self.enter(who, kind, {"words": words}, {"words": words}, waited)

    @rule(who=WHO, pulse=st.integers(40, 130))
    def observe(self, who: int, pulse: int) -> None:
        self.enter(who, "observation", {"moment": "interval", "pulse": pulse}, {})

    @precondition(lambda self: self.keys)
    @rule(data=st.data(), then_undo=st.booleans())
    def send_again(self, data: st.DataObject, then_undo: bool) -> None:
        sent, number = data.draw(st.sampled_from(self.keys))
        before = Entry.objects.count()
        assert add_entry(exchange_session=self.session, at=self.now, waited_s=60, **sent).number == number
        assert Entry.objects.count() == before
        if then_undo:
            self.enter(0, "undo", {"number": number}, {"number": number})

    # The totals of a machine

    @precondition(lambda self: self.model.method == "automated" or len(self.model.rows) < 6)
    @rule(
        who=WHO,
        cells=st.sampled_from([0, 258, 516]),
        off=st.sampled_from([0, 0, 0, 1]),
        minutes=st.tuples(st.integers(-300, 10), st.integers(-60, 2)),
        waited=st.sampled_from([0, 120]),
    )
    def state_totals(self, who: int, cells: int, off: int, minutes: tuple[int, int], waited: int) -> None:
        said = self.totals_said(cells, off, minutes)
        self.enter(who, "totals", self.totals_of(said).body(), said, waited)

    def totals_said(self, cells: int, off: int, minutes: tuple[int, int]) -> dict[str, Any]:
        """Mostly right: as many units as were started, and cells only where there were any."""
        started = len(self.model.units_started()) + off
        begin, end = (self.now + timedelta(minutes=minute) for minute in minutes)
        cells = cells or 258 if started and not off else cells
        return {"saline": 200, "red_cells": cells, "out": 400, "units": started, "from": begin, "to": end}

    @staticmethod
    def totals_of(said: dict[str, Any]) -> Totals:
        return Totals(said["saline"], said["red_cells"], said["out"], said["units"], said["from"], said["to"])

    @precondition(lambda self: self.model.state in ENDS and self.model.method == "automated")
    @rule(
        who=WHO, cells=st.sampled_from([0, 300]), off=st.sampled_from([0, 0, 1]),
        minutes=st.tuples(st.integers(-300, -60), st.integers(-60, 2)),
    )  # fmt: skip
    def put_totals_right(self, who: int, cells: int, off: int, minutes: tuple[int, int]) -> None:
        model, said = self.model, self.totals_said(cells, off, minutes)
        old = model.machine()
        refused = model.state not in ("finished", "abandoned") or old is None or model.refuses_totals(said, self.now)
        asked = {"exchange_session": self.session, "totals": self.totals_of(said), "why": "misread"}
        if self.agree(refused, lambda: correct_totals(**asked, **self.by_now(who))):
            self.keep("undo", who, number=next(row.number for row in model.rows if row.said is old))
            self.model.keep("totals", self.nurses[who].pk, self.now, 0, said)
