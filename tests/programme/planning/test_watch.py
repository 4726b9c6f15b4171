"""The forecast watch in the programme: what is kept of forecasts, what it is held against, and what it moves."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from django.urls import reverse

from patients.models import Patient
from patients.services import raise_data_version
from programme.planning import replan as replanning
from programme.planning import services
from programme.planning.models import ForecastWatch, KeptForecast, Suggestion
from programme.planning.numeric.people import WhatIf
from programme.planning.reckoning import SiteAsOf, printed_plans
from programme.planning.watch import WATCHED_DAYS, caution_of, look
from sessions.facts import rebuild_facts
from sessions.models import ModelFit, StoredForecast
from tests import factories
from tests.factories import NOW, TODAY
from tests.programme.planning.test_replan import add_people

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def unit(site, frozen_day):
    """Ten people with a short course each, as few as may be judged by."""
    add_people(site, 10)
    return site


def replan(site, day=TODAY, **asked):
    return replanning.replan(site=site, as_of=day, clock=lambda: NOW + (day - TODAY), **asked)


def come(patient, on, **figures):
    """One session more; the person is stale then, as after any change."""
    made = factories.make_exchange_session(patient, on=on, **figures)
    rebuild_facts([patient.pk], NOW)
    raise_data_version([patient.pk])
    return made


def kept_before(site, *, observed, p10=20.0, p90=30.0, people=10, each=3, day=TODAY - 40 * DAY):
    """Sessions with the forecast that was in force before each; `observed` of all of them."""
    for number in range(people):
        patient = factories.make_patient(f"K{number:03d}", site=site)
        for place in range(each):
            made = factories.make_exchange_session(patient, on=day + 14 * place * DAY, hbs_before_pct=observed)
            factories.make_facts(made, hbs_before_pct=observed)
            KeptForecast.objects.create(
                patient=patient, exchange_session=made, as_of=day, made_at=NOW, code_version="test", ahead_days=28,
                p10=p10, p50=(p10 + p90) / 2, p90=p90,
            )  # fmt: skip


# What is kept


def test_what_was_forecast_before_a_session_is_kept_once_it_has_come(unit):
    replan(unit)
    patient = Patient.objects.get(patient_ref="R003")
    before = StoredForecast.objects.get(patient=patient)
    made = come(patient, TODAY + 10 * DAY, hbs_before_pct=33.0)
    assert not KeptForecast.objects.exists()
    replan(unit, TODAY + 11 * DAY)
    (kept,) = KeptForecast.objects.all()
    ahead = (made.on - before.last_on).days
    assert (kept.exchange_session_id, kept.ahead_days, kept.as_of) == (made.pk, ahead, TODAY)
    assert kept.form == before.pace["form"]
    for name in ("p10", "p50", "p90"):
        expected = np.interp(ahead, before.days["days"], before.days[name])
        assert getattr(kept, name) == pytest.approx(expected)
    assert StoredForecast.objects.get(patient=patient).last_on == made.on
    replan(unit, TODAY + 11 * DAY, everyone=True)
    assert KeptForecast.objects.count() == 1


@pytest.mark.parametrize("days", [-3, 120])
def test_what_was_no_forecast_of_a_session_is_not_kept(unit, days):
    """A session of before the forecast that was entered later; and one far beyond the days that are forecast."""
    replan(unit)
    patient = Patient.objects.get(patient_ref="R003")
    come(patient, TODAY + days * DAY, hbs_before_pct=33.0)
    replan(unit, TODAY + max(days, 0) * DAY + DAY)
    assert StoredForecast.objects.get(patient=patient).last_on == TODAY + days * DAY
    assert not KeptForecast.objects.exists()


def test_of_two_sessions_since_the_forecast_speaks_of_the_first(unit):
    replan(unit)
    patient = Patient.objects.get(patient_ref="R003")
    first = come(patient, TODAY + 5 * DAY, hbs_before_pct=31.0)
    come(patient, TODAY + 30 * DAY, hbs_before_pct=33.0)
    replan(unit, TODAY + 31 * DAY)
    assert [kept.exchange_session_id for kept in KeptForecast.objects.all()] == [first.pk]


# What it is held against


def test_a_night_holds_the_kept_forecasts_against_what_was_measured(site):
    kept_before(site, observed=25.0)
    found = look(site=site, on=TODAY, at=NOW)
    assert (found.n, found.n_people, found.inside, found.above) == (30, 10, 1.0, 0.0)
    assert (found.enough, found.holds, found.caution) == (True, True, 1.0)
    factories.change_facts({"hbs_before_pct": 31.0}, patient__patient_ref__lt="K006")
    again = look(site=site, on=TODAY, at=NOW)
    assert (again.pk, again.above, again.holds, again.caution) == (found.pk, 0.6, False, 0.25)
    assert ForecastWatch.objects.count() == 1
    assert caution_of(site, TODAY - DAY) == 1.0
    assert caution_of(site, TODAY + DAY) == 0.25


@pytest.mark.parametrize(
    "changed", [{"reason": 1}, {"topup_hb_g": 50.0}, {"gap_known": False}, {"hbs_before_pct": None}]
)
def test_what_the_comparison_of_forms_leaves_out_is_left_out_here(site, changed):
    kept_before(site, observed=31.0)
    factories.change_facts(changed, patient__patient_ref="K000")
    assert look(site=site, on=TODAY, at=NOW).n == 27


def test_what_is_long_ago_and_other_units_do_not_count(site):
    kept_before(site, observed=31.0)
    assert look(site=site, on=TODAY + (WATCHED_DAYS - 40) * DAY, at=NOW).n == 30
    assert look(site=site, on=TODAY + (WATCHED_DAYS - 39) * DAY, at=NOW).n == 20
    other = factories.make_site("dunes")
    found = look(site=other, on=TODAY, at=NOW)
    assert (found.n, found.inside, found.holds) == (0, None, True)
    assert caution_of(other, TODAY) == 1.0


# What it moves


def test_while_forecasts_do_not_hold_suggestions_plan_with_less_of_the_accepted_chance(unit):
    fit = ModelFit.objects.get(pk=replan(unit).model_fit)
    before = {row.patient_id: row for row in Suggestion.objects.filter(status="ok")}
    assert before and all(row.caution == 1.0 for row in before.values())
    kept_before(unit, observed=31.0)
    Patient.objects.filter(patient_ref__startswith="K").update(standing="left")
    ModelFit.objects.update(n_sessions=None)  # not learnt anew for so many sessions: both plans rest on one
    done = replan(unit, TODAY + DAY)
    assert done.renewed == 10
    assert done.model_fit == fit.pk
    targets = []
    for row in Suggestion.objects.filter(patient__in=before):
        was = before[row.patient_id]
        assert row.caution == 0.25
        assert row.body["breach_risk"] == pytest.approx(0.25 * was.body["breach_risk"])
        assert row.body["warnings"][0].endswith("planned with a quarter of the accepted chance.")
        assert row.latest_safe_date <= was.latest_safe_date
        targets.append((row.body["end_target_hbs_pct"], was.body["end_target_hbs_pct"]))
    assert all(now <= then for now, then in targets)
    assert any(now < then for now, then in targets)
    assert services.stale_keys(site=unit, as_of=TODAY + DAY, fit=fit) == []
    factories.change_facts({"hbs_before_pct": 25.0}, patient__patient_ref__startswith="K")
    assert replan(unit, TODAY + 2 * DAY).renewed == 10
    assert set(Suggestion.objects.values_list("caution", flat=True)) == {1.0}
    assert "accepted chance." not in str(Suggestion.objects.values_list("body", flat=True)[0]["warnings"])


def test_a_chance_that_is_asked_about_is_planned_with_in_full_and_nothing_else_is_said_of_it(unit):
    kept_before(unit, observed=31.0)
    Patient.objects.filter(patient_ref__startswith="K").update(standing="left")
    look(site=unit, on=TODAY, at=NOW)
    seen = SiteAsOf(unit, TODAY + DAY)
    asked, other = WhatIf(accepted_chance=0.2), WhatIf(interval_days=28)
    plans = [plan for plan in printed_plans(seen.reckoned(what_if=asked)) if plan["status"] == "ok"]
    assert plans
    assert {plan["breach_risk"] for plan in plans} == {0.2}
    assert not any("of the accepted chance" in words for plan in plans for words in plan["warnings"])
    assert all(part.caution == 1.0 for part in seen.parts(what_if=asked))
    kept = [plan for plan in printed_plans(seen.reckoned(what_if=other)) if plan["status"] == "ok"]
    assert all(plan["warnings"][0].endswith("of the accepted chance.") for plan in kept)


# Where it is read


def test_the_list_says_so_only_while_forecasts_do_not_hold(site, nurse_client):
    assert "forecasts of the last half year" not in nurse_client.get("/").getvalue().decode()
    kept_before(site, observed=25.0)
    look(site=site, on=TODAY - DAY, at=NOW)
    assert "forecasts of the last half year" not in nurse_client.get("/").getvalue().decode()
    factories.change_facts({"hbs_before_pct": 31.0})
    look(site=site, on=TODAY, at=NOW)
    words = nurse_client.get("/").getvalue().decode()
    assert "Of 30 forecasts of the last half year, for 10 people, &lt;1 in 100 measured values lay within" in words
    assert "Suggestions plan with 25 in 100 of each accepted chance until they hold again." in words


def test_the_page_on_forecasts_always_says_how_those_in_force_held(site, nurse_client):
    address = reverse("review:how_good")
    assert "Nobody has looked yet" in nurse_client.get(address).content.decode()
    look(site=site, on=TODAY, at=NOW)
    assert "was followed by a measured value yet" in nurse_client.get(address).content.decode()
    kept_before(site, observed=25.0)
    look(site=site, on=TODAY, at=NOW)
    said = nurse_client.get(address).content.decode()
    assert "They hold." in said
    assert "of what lay inside is under 77, or of what lay above over 12 in 100" in said
