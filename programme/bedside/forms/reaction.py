"""Forms of a reaction: what was seen, and how it is judged later."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from programme.worklist.forms.fields import ChoiceField, EdgeField, EdgeForm, LongField, MomentField, Part
from programme.worklist.forms.reading import TypedMoment
from sessions.day.models import Imputability
from sessions.day.numeric.reactions import KINDS, SEVERITY, doubts
from sessions.day.services.reacting import Judgement, Seen
from sessions.models import DonationUnit

KIND_CHOICES = [("", "choose")] + [(kind.name, kind.words) for kind in KINDS.values()]
SEVERITY_CHOICES = [("", "not said yet")] + [(str(grade), f"{grade}, {words}") for grade, words in SEVERITY.items()]
IMPUTABILITY_CHOICES = [("", "not said yet"), *Imputability.choices]


class JudgedForm(EdgeForm):
    """Fields that both forms share."""

    def judgement(self) -> Judgement:
        given = self.cleaned_data
        return Judgement(int(given["severity"]) if given.get("severity") else None, given.get("imputability") or "")


class ReactionForm(JudgedForm):
    """What was seen at the chair or told later. The kind may be 'not yet known'; a consultant judges it later."""

    kind = ChoiceField(label="What it looks like", choices=KIND_CHOICES, required=True, wide=True)
    unit = ChoiceField(label="Unit")
    when = MomentField(label="First sign at", most=40, help_text="empty for now; 09:40, or 24 Nov 2026 09:40")
    signs = LongField(label="What was seen", most=400, required=True, wide=True)
    done = LongField(label="What was done", most=800, wide=True)
    severity = ChoiceField(label="Severity", choices=SEVERITY_CHOICES, wide=True)
    imputability = ChoiceField(label="Caused by the blood", choices=IMPUTABILITY_CHOICES, wide=True)

    parts = (
        Part("What happened", ("kind", "unit", "when", "signs", "done")),
        Part("Judgement", ("severity", "imputability"), note="may wait; a consultant judges it"),
    )

    def __init__(
        self, *args: Any, units: Sequence[DonationUnit], ended_at: datetime | None, now: datetime, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.units: Mapping[int, DonationUnit] = {unit.place: unit for unit in units}
        self.ended_at, self.now = ended_at, now
        choices = [(str(place), f"unit {place}, {unit.get_state_display()}") for place, unit in self.units.items()]
        self.fields["unit"].choices = [("", "none, or not known"), *choices]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        super().clean()
        given = self.cleaned_data
        try:
            self.at = self._moment()
        except ValueError as error:
            self.refuse("when", f"First sign at: {error}")
            return given
        if given.get("kind"):
            for question in doubts(given["kind"], hours_after=self._hours_after()):
                self.ask("kind", question)
        return given

    def _moment(self) -> datetime:
        typed = self.cleaned_data.get("when")
        if not isinstance(typed, TypedMoment):
            return self.now
        return typed.about(self.now, ZoneInfo(str(self.now.tzinfo)))

    def _hours_after(self) -> float | None:
        """From the end of the unit, or of the session, to the first sign; 0 while the blood still ran."""
        place = self.cleaned_data.get("unit")
        ended = self.units[int(place)].ended_at if place else self.ended_at
        if ended is None:
            return 0.0
        return (self.at - ended) / timedelta(hours=1)

    def seen(self) -> Seen:
        given = self.cleaned_data
        place = int(given["unit"]) if given.get("unit") else None
        return Seen(given["kind"], self.at, place, given["signs"], given["done"] or "")


class JudgementForm(JudgedForm):
    """Kind, severity, imputability and outcome; why, where it was judged before."""

    kind = ChoiceField(label="Kind", choices=KIND_CHOICES[1:], required=True, wide=True)
    severity = ChoiceField(label="Severity", choices=SEVERITY_CHOICES, required=True, wide=True)
    imputability = ChoiceField(label="Caused by the blood", choices=IMPUTABILITY_CHOICES, required=True, wide=True)
    outcome = EdgeField(label="What came of it", most=400, wide=True)
    why = EdgeField(label="Why it is judged anew", most=400, wide=True)

    parts = (
        Part("Judgement", ("kind", "severity", "imputability", "outcome", "why"),
             note="by the international definitions; who reports it to whom is local policy"),
    )  # fmt: skip

    def __init__(self, *args: Any, judged: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not judged:
            del self.fields["why"]
