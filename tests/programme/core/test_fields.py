"""A day is typed and shown in one way, whatever the language of the browser."""

from datetime import date

import pytest
from django import forms

from programme.core.fields import DayField


class Form(forms.Form):
    on = DayField()


@pytest.mark.parametrize("typed", ["9 Jun 2026", "9 june 2026", "09/06/2026", "9.6.2026", "2026-06-09"])
def test_a_day_is_read_the_day_before_the_month(typed):
    form = Form({"on": typed})
    assert form.is_valid()
    assert form.cleaned_data["on"] == date(2026, 6, 9)


@pytest.mark.parametrize(("typed", "said"), [("06/31/2026", "is not a day"), ("soon", "Write it as 14 Mar 2011")])
def test_what_is_no_day_is_refused_with_what_is_allowed_and_kept(typed, said):
    form = Form({"on": typed})
    assert said in form.errors["on"][0]
    assert f'value="{typed}"' in str(form["on"])


def test_a_day_that_is_there_stands_in_words_in_a_plain_box():
    box = str(Form(initial={"on": date(2026, 6, 9)})["on"])
    assert 'value="9 Jun 2026"' in box
    assert 'type="text"' in box
