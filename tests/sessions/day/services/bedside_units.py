"""The same with three units, from the first check to the last place."""

from datetime import date

from hypothesis import strategies as st
from hypothesis.stateful import (
    precondition,
    rule,
)

from sessions.day.services.giving import end_unit, put_away, start_unit, take_back
from sessions.day.services.units import AtTheChair, Label, add_unit, check_unit
from tests.sessions.day.services.bedside_page import LABELS, PLACE, WHO, OnThePage
from tests.sessions.day.services.plain_entries import Unit


class WithUnits(OnThePage):
    """Units are brought, checked, started, ended, put away and taken back on their own pages."""

    @precondition(lambda self: len(self.model.units) < 8)
    @rule(who=WHO, label=st.sampled_from(LABELS))
    def bring_unit(self, who: int, label: str) -> None:
        used = any(unit.label == label and unit.state != "returned" for unit in self.model.units)
        stated = Label(label, "O", "+", date(2026, 6, 20), negative=frozenset({"C", "E", "K"}), hbs_negative=True)
        given = {"exchange_session": self.session, "actor": self.nurses[who], "at": self.now, "label": stated}
        if self.agree(used or self.model.state != "running", lambda: add_unit(**given, out_of_storage_at=None)):
            taken = {unit.place for unit in self.model.units}
            self.model.units.append(Unit(next(n for n in range(1, 20) if n not in taken), label))

    @precondition(lambda self: self.model.units)
    @rule(
        who=WHO, place=PLACE, by_two=st.booleans(), alone=st.booleans(), right_bag=st.sampled_from([True] * 4 + [False])
    )
    def check_unit(self, who: int, place: int, by_two: bool, alone: bool, right_bag: bool) -> None:
        unit = self.model.unit_at(place)
        if unit is None:
            return
        chair = AtTheChair(True, self.session.patient.patient_ref, unit.label if right_bag else "Z999026000999")
        second = 1 - who if by_two else None
        asked = {"chair": chair, "emergency_reason": "bleeding" if alone else ""}
        asked["second"] = None if second is None else self.nurses[second]
        refused = self.model.refuses_check(unit, who, second, alone=alone, right_bag=right_bag)
        if self.agree(refused, lambda: check_unit(**self.of(unit, who), **asked)):
            if alone or by_two or unit.first is not None:
                unit.state, unit.checked_at = "checked", self.now
            unit.first = who if unit.first is None else unit.first
            self.keep("unit_checked", who, unit=place)

    @precondition(lambda self: self.model.units)
    @rule(who=WHO, place=PLACE)
    def start_unit(self, who: int, place: int) -> None:
        unit = self.model.unit_at(place)
        if unit and self.agree(self.model.refuses_start(unit), lambda: start_unit(**self.of(unit, who))):
            unit.state = "running"
            self.keep("unit_started", who, unit=place)

    @precondition(lambda self: self.model.units)
    @rule(who=WHO, place=PLACE)
    def end_unit(self, who: int, place: int) -> None:
        unit = self.model.unit_at(place)
        if unit and self.agree(unit.state != "running", lambda: end_unit(**self.of(unit, who))):
            unit.state = "given"
            self.keep("unit_ended", who, unit=place)

    @precondition(lambda self: self.model.units)
    @rule(who=WHO, place=PLACE, state=st.sampled_from(["returned", "discarded"]))
    def put_unit_away(self, who: int, place: int, state: str) -> None:
        unit = self.model.unit_at(place)
        if unit is None:
            return
        refused = unit.state not in ("at_chair", "checked")
        if self.agree(refused, lambda: put_away(**self.of(unit, who), state=state, reason="not needed", decided="x")):
            taken = {other.place for other in self.model.units if other is not unit}
            unit.state, unit.place = state, next(n for n in range(20, 0, -1) if n not in taken)
            self.keep("unit_put_away", who, unit=place)

    @precondition(lambda self: self.model.units)
    @rule(who=WHO, place=PLACE)
    def take_unit_back(self, who: int, place: int) -> None:
        unit, model = self.model.unit_at(place), self.model
        if unit is None:
            return
        kind = {"running": "unit_started", "given": "unit_ended"}.get(unit.state)
        refused = kind is None or model.state != "running" or (kind == "unit_started" and model.given_of(unit) > 0)
        refused |= kind == "unit_ended" and any(other.state == "running" for other in model.units)
        if self.agree(refused, lambda: take_back(**self.of(unit, who), reason="by mistake")):
            mine = [r for r in model.rows if r.kind == kind and r.said["unit"] == place and not r.undone]
            unit.state = "checked" if kind == "unit_started" else "running"
            self.keep("undo", who, number=mine[-1].number)

    @precondition(lambda self: self.model.state == "running")
    @rule(who=WHO, label=st.sampled_from(LABELS))
    def next_for_a_unit(self, who: int, label: str) -> None:
        """The usual way: brought, checked by two, started, given, ended, and then the next one."""
        unit = next((unit for unit in self.model.units if unit.state in ("at_chair", "checked", "running")), None)
        if unit is None:
            self.bring_unit(who, label)
        elif unit.state == "at_chair":
            self.check_unit(who, unit.place, by_two=True, alone=False, right_bag=True)
        elif unit.state == "checked":
            self.look(who)
            self.enter(who, "resume", {"words": "so decided"}, {"words": "so decided"})
            self.start_unit(who, unit.place)
        elif self.model.given_of(unit) == 0 and self.model.method != "automated":
            self.move(who, self.model.step_of(unit.place), given=258, drawn=250, unit=unit.place, waited=0, looks=True)
        else:
            self.end_unit(who, unit.place)
