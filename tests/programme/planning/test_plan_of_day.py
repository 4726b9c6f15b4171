"""The session of a day from what is measured on that day: by hand in two arms or one, and automated."""

from __future__ import annotations

import math
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest

from patients.models import Patient
from programme.planning.queries import plan_of_day
from sessions.models import SessionFacts
from sessions.numeric.exchange import Start, Step, run_steps
from tests import factories

pytestmark = pytest.mark.either_database
TODAY = factories.TODAY


@pytest.fixture
def someone(programme):
    return Patient.objects.order_by("patient_ref").first()


def asked(patient, method="two_arm", **measured):
    return plan_of_day(
        patient=patient,
        as_of=TODAY,
        method=method,
        **{"hb_g_l": 92.0, "hbs_pct": 31.0, "end_target_pct": 20.0} | measured,
    )


@pytest.mark.django_db
@pytest.mark.parametrize("method", ["two_arm", "one_arm"])
def test_the_steps_told_lead_to_the_end_told(someone, method):
    plan = asked(someone, method)
    assert plan.status == "ok"
    done = run_steps(
        Start(plan.blood_volume_ml, 92.0, 31.0),
        [Step(step.fluid, step.in_ml, step.out_ml, step.fluid_hb_g_l) for step in plan.steps],
        mixing=plan.mixing,
    )
    assert plan.hbs_after_pct.p50 == pytest.approx(done.hbs_settled_pct)
    assert plan.hb_after_g_l.p50 == pytest.approx(done.hb_settled_g_l)
    assert plan.deepest_deficit_ml == pytest.approx(done.deepest_deficit_ml)
    assert plan.steps[-1].hbs_pct == pytest.approx(done.hbs_post_pct)
    assert plan.hbs_after_pct.p10 < plan.hbs_after_pct.p50 < plan.hbs_after_pct.p90
    assert plan.reached == (plan.hbs_after_pct.p50 <= plan.end_target_pct + 0.1)


@pytest.mark.django_db
def test_one_arm_draws_before_it_gives_inside_the_limit_of_a_draw(someone):
    plan = asked(someone, "one_arm")
    assert all(step.in_ml == 0.0 or step.out_ml == 0.0 for step in plan.steps)
    assert plan.steps[0].in_ml == 0.0
    assert 0.0 < plan.deepest_deficit_ml <= 500.0
    assert asked(someone, "two_arm").deepest_deficit_ml < plan.deepest_deficit_ml


@pytest.mark.django_db
def test_with_a_flag_one_arm_gives_before_it_draws(someone):
    someone.flag_heart = True
    someone.save(update_fields=["flag_heart"])
    plan = asked(someone, "one_arm", hb_g_l=96.0)
    assert plan.steps[0].fluid == "red_cells"
    assert plan.steps[0].out_ml == 0.0
    assert plan.deepest_deficit_ml <= 20.0  # what rounding leaves
    turned_on = asked(someone, "one_arm", hb_g_l=96.0, saline_first=True)
    assert turned_on.steps[0].out_ml == 0.0, "nobody with a flag has the deficit of a draw, whatever goes first"


@pytest.mark.django_db
def test_hb_on_the_day_after_a_session_is_expected_where_that_left_it(someone):
    """Law: from Hb after it falls to where it usually is before the next session, so the first days lie between."""
    last = SessionFacts.objects.filter(patient=someone).order_by("-day")[0]
    factories.change_facts({"hb_after_g_l": 116.0}, pk=last.pk)
    first, on = date.fromordinal(last.day), {"hb_g_l": None, "hbs_pct": 15.0}
    days = {n: plan_of_day(patient=someone, as_of=TODAY, on=first + timedelta(days=n), method="two_arm", **on)
            for n in (1, 4, 13, 28)}  # fmt: skip
    expected = [days[n].hb_before_g_l for n in (1, 4, 13)]
    assert 110.0 < expected[0] < 116.5
    assert expected == sorted(expected, reverse=True)
    assert days[28].hb_before_g_l < expected[1]
    assert days[1].hb_before_sd_g_l > 1.0, "and it is not measured"


@pytest.mark.django_db
def test_what_is_measured_today_decides(someone):
    plain, higher, paler = asked(someone), asked(someone, hbs_pct=38.0), asked(someone, hb_g_l=84.0)
    assert higher.units > plain.units
    assert paler.hb_before_g_l == 84.0
    assert paler.hb_after_g_l.p50 != plain.hb_after_g_l.p50
    heavier = asked(someone, weight_kg=95.0)
    assert heavier.blood_volume_ml > plain.blood_volume_ml
    own_target = asked(someone, end_target_pct=25.0)
    assert own_target.end_target_pct == 25.0
    assert own_target.units <= plain.units


@pytest.mark.django_db
def test_a_value_of_two_days_ago_is_carried_forward_by_the_pace(someone):
    now, earlier = asked(someone), asked(someone, hbs_taken_on=TODAY - timedelta(days=2))
    assert 0.0 < earlier.hbs_before_pct - now.hbs_before_pct < 4.0


@pytest.mark.django_db
def test_what_is_not_measured_is_forecast(someone):
    plan = plan_of_day(patient=someone, as_of=TODAY, method="two_arm")
    assert plan.status == "ok"
    assert 5.0 < plan.hbs_before_pct < 90.0
    measured = plan_of_day(patient=someone, as_of=TODAY, method="two_arm", hbs_pct=plan.hbs_before_pct)
    width = plan.hbs_after_pct.p90 - plan.hbs_after_pct.p10
    assert measured.hbs_after_pct.p90 - measured.hbs_after_pct.p10 < width


@pytest.mark.django_db
def test_an_automated_session_has_totals_and_an_end_but_no_steps(someone):
    plan = asked(someone, "automated")
    assert plan.status == "ok"
    assert plan.steps == ()
    assert plan.saline_ml == 0.0
    assert plan.red_cells_ml == pytest.approx(plan.units * 258.0)
    assert plan.hbs_after_pct.p50 <= plan.end_target_pct + 1e-6
    assert next(row.units for row in plan.marginal if row.hbs_pct <= plan.end_target_pct) == plan.units


@pytest.mark.django_db
def test_how_low_it_ends_tells_the_chance_whoever_exchanges(someone):
    """A law: from a lower end it is less likely over the ceiling after the same days, by machine as by hand."""
    plans = [asked(someone, method) for method in ("two_arm", "automated")]
    assert plans[0].interval_after_days == plans[1].interval_after_days
    rows = [(row.hbs_pct, row.chance) for plan in plans for row in plan.marginal if not row.limit]
    ends, chances = zip(*sorted(rows), strict=True)
    assert len(ends) > len(plans[0].marginal), "rows of both"
    assert all(0.0 <= chance <= 1.0 for chance in chances)
    assert list(chances) == sorted(chances) and chances[0] < chances[-1]


@pytest.mark.django_db
def test_a_target_too_low_for_one_session_brings_a_series_inside_the_limits(someone):
    plan = asked(someone, hb_g_l=88.0, hbs_pct=80.0, end_target_pct=15.0)
    assert not plan.reached
    assert len(plan.series) >= 2
    days = [row.day for row in plan.series]
    assert days[0] == TODAY.toordinal()
    assert all(1 <= later - day <= 4 for day, later in pairwise(days))
    ends = [row.hbs_after_pct for row in plan.series]
    assert ends == sorted(ends, reverse=True)
    assert all(row.hb_after_g_l - row.hb_before_g_l <= 40.0 for row in plan.series)


@pytest.mark.django_db
def test_nothing_is_planned_where_there_is_no_ground(someone):
    someone.pregnant_since = TODAY - timedelta(days=60)
    someone.save(update_fields=["pregnant_since"])
    plan = asked(someone)
    assert plan.status == "unavailable"
    assert plan.reason.startswith("Pregnancy")
    assert math.isnan(plan.hbs_after_pct.p50)
    with pytest.raises(ValueError, match="two_arm, one_arm, automated"):
        asked(someone, "by post")


@pytest.mark.django_db
def test_nothing_is_written(someone, django_assert_max_num_queries):
    with django_assert_max_num_queries(30) as caught:
        asked(someone)
    reading = ("SELECT", "WITH", "DECLARE")  # a cursor of the server is declared to read in pieces
    assert not [q for q in caught.captured_queries if not q["sql"].lstrip().upper().startswith(reading)]
    assert np.isfinite(someone.data_version)
