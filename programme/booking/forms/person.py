"""Forms about one person: wishes, days away, a try to reach them, waiting for an earlier place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms

from programme.booking.forms.setup import Dressed, TimeInput
from programme.booking.models import Contact, Wishes
from programme.booking.numeric.calendar import WEEKDAYS
from programme.core.fields import DayField

CANNOT = [("cannot", "cannot come"), ("rather", "would rather not come")]


class PersonForm(forms.Form, Dressed):
    """A form with the one-time key."""

    hints: Mapping[str, str] = {}
    use_required_attribute = False

    receipt = forms.CharField(max_length=64, widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.dress(self.fields, {}, self.hints)


class WishesForm(PersonForm):
    """What suits a person. Wishes rank the places that are offered; the times are kept always."""

    hints = {
        "weekdays": "none ticked: any day",
        "earliest": "no start before this is offered",
        "latest_end": "nothing that ends after this is offered",
        "travel": "said where a place is chosen; what a journey asks for in hours goes into the two times above",
        "needs_two_nurses": "counts for two of the exchanges that staff can run at once",
    }

    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    weekdays = forms.TypedMultipleChoiceField(
        label="Days that suit", choices=list(enumerate(WEEKDAYS)), coerce=int, required=False,
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    earliest = forms.TimeField(label="Earliest start", required=False, widget=TimeInput())
    latest_end = forms.TimeField(label="Latest end", required=False, widget=TimeInput())
    needs_two_nurses = forms.BooleanField(label="Needs two nurses", required=False)
    travel = forms.CharField(label="Travel", max_length=200, required=False)
    note = forms.CharField(label="Note", max_length=200, required=False)

    @staticmethod
    def values(row: Wishes | None) -> dict[str, Any]:
        """What the form starts with."""
        if row is None:
            return {"version": 0}
        names = ("version", "earliest", "latest_end", "needs_two_nurses", "travel", "note")
        weekdays = [int(part) for part in row.weekdays.split(",") if part]
        return {"weekdays": weekdays} | {name: getattr(row, name) for name in names}


class AwayForm(PersonForm):
    """Days on which a person cannot come, or would rather not."""

    hints = {"words": "such as school, examinations, travel"}

    since = DayField(label="First day")
    until = DayField(label="Last day")
    cannot = forms.TypedChoiceField(label="They", coerce=lambda value: value == "cannot", choices=CANNOT)
    words = forms.CharField(label="Why", max_length=120, required=False)


class ReasonForm(PersonForm):
    """A reason, for taking something back."""

    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    reason = forms.CharField(label="Why", max_length=200)


class ContactForm(PersonForm):
    """A try to reach somebody."""

    hints = {"next_try_on": "left empty: the unit’s usual wait; not needed once they are reached"}

    outcome = forms.ChoiceField(label="What came of it", choices=Contact.Outcome.choices)
    next_try_on = DayField(label="Try again on", required=False)
    words = forms.CharField(label="In words", max_length=400, required=False)


class WaitingForm(PersonForm):
    """Somebody who would take an earlier place."""

    not_before = DayField(label="Not before", required=False)
    words = forms.CharField(label="Note", max_length=200, required=False)
