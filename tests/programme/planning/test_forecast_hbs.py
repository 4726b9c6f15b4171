"""The printed forecasts: keys, days, order of the quantiles, refusals."""

import io
import json
from datetime import date, timedelta

import pytest
from django.core.management import CommandError, call_command

from tests import factories
from tests.factories import TODAY

pytestmark = [pytest.mark.either_database, pytest.mark.django_db]
DAYS = (14, 28, 42)


def said(*arguments, as_of=TODAY, days="14,28,42"):
    out = io.StringIO()
    call_command("forecast_hbs", "--as-of", as_of.isoformat(), "--days", days, *arguments, stdout=out)
    return out.getvalue()


def test_every_key_is_there_and_days_count_from_the_last_session(programme):
    rows = json.loads(said())
    assert len(rows) == 16
    for row in rows:
        assert set(row) == {"patient_ref", "last_session", "forecast"}
        last = date.fromisoformat(row["last_session"])
        assert [point["days"] for point in row["forecast"]] == list(DAYS)
        for point in row["forecast"]:
            assert set(point) == {"days", "date", "hbs_p10", "hbs_p50", "hbs_p90", "hb_p50"}
            assert date.fromisoformat(point["date"]) == last + timedelta(days=point["days"])
            assert 0 < point["hbs_p10"] < point["hbs_p50"] < point["hbs_p90"] < 100
            assert 60 < point["hb_p50"] < 130
        medians = [point["hbs_p50"] for point in row["forecast"]]
        widths = [point["hbs_p90"] - point["hbs_p10"] for point in row["forecast"]]
        assert medians == sorted(medians)
        assert widths == sorted(widths)


def test_somebody_without_a_session_keeps_every_key_with_null(programme):
    factories.make_patient("Z-1", site=programme)
    (row,) = json.loads(said("--patient", "Z-1"))
    assert row["last_session"] is None
    keys = ("date", "hbs_p10", "hbs_p50", "hbs_p90", "hb_p50")
    assert row["forecast"] == [{"days": day, **dict.fromkeys(keys)} for day in DAYS]


def test_days_stand_as_asked_and_each_is_the_same_alone(programme):
    every = json.loads(said())
    turned = json.loads(said(days="42, 14"))
    for row, other in zip(every, turned, strict=True):
        assert other["forecast"] == [row["forecast"][2], row["forecast"][0]]


def test_a_subset_prints_the_same_lines(programme):
    whole = said()
    (one,) = json.loads(said("--patient", "P0003"))
    assert json.dumps(one) in whole


@pytest.mark.parametrize("days", ["", "0", "-7", "14;28", "14,,28", "nan", "1e1", "400", "14.5"])
def test_days_that_cannot_be_are_refused(site, days):
    with pytest.raises(CommandError, match="--days"):
        call_command("forecast_hbs", f"--days={days}", stdout=io.StringIO())
