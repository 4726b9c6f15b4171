"""The plan page and its print: what is stored is shown, step by step, and nothing without ground."""

import socket
import subprocess
from datetime import timedelta
from typing import Any

import pytest

from programme.core.pdf import to_pdf
from sessions.numeric.exchange import Start, Step, run_steps
from tests import factories
from tests.factories import TODAY
from tests.looks import A_LOOK

QUERIES = 18

STEPS = [
    {"fluid": "red_cells", "in_ml": 258.0, "out_ml": 250.0},
    {"fluid": "saline", "in_ml": 350.0, "out_ml": 350.0},
    {"fluid": "red_cells", "in_ml": 1032.0, "out_ml": 1000.0},
]


def plan_options(**parts: Any) -> dict[str, Any]:
    """Options as the planner stores them; figures invented."""
    working = {
        "hbs_before_pct": 34.2, "hbs_before_sd_pct": 2.0, "hb_before_g_l": 92.0, "blood_volume_ml": 3770.0,
        "volume_rule": "Nadler 1962 for a woman", "mixing": 1.05, "unit_volume_ml": 258.0, "unit_hb_g": 50.0,
        "results": ["HbS 18.0 of 4 May"],
    }  # fmt: skip
    limit = {"name": "hb_after", "reached": 108.6, "allowed": 110.0, "unit": "g/L", "state": "ok"}
    return {
        "working": working,
        "chance_by_day": {"from": "2026-06-08", "chance": [0.06]},
        "choices": [{"letter": "F", "interval_days": 28, "end_target_pct": 14.0, "suggested": True}],
        "limits": [{**limit, "words": "Hb at the end and its peak; HbS ends under 30 %"},
                   {**limit, "name": "hb_floor", "state": "warn", "words": "lowest Hb on the way; within 1"}],
        "marginal": [
            {"units": 4, "hbs_pct": 17.9, "hb_g_l": 105.0, "points": None, "chance": 0.27, "out_ml": 1600.0},
            {"units": 5, "hbs_pct": 15.8, "hb_g_l": 105.0, "points": 2.1, "chance": 0.06, "out_ml": 1600.0},
            {"units": 6, "hbs_pct": None, "points": None, "chance": None, "limit": "no order keeps the saline"},
        ],
        "alternatives": [{"name": "Saline first", "words": "Hb would dip to 86, under the floor of 90."}],
        **parts,
    }  # fmt: skip


@pytest.fixture
def planned(site, frozen_day):
    patient = factories.make_patient("SM-042", site=site, family_name="Winterbourne", given_name="Adaeze")
    factories.make_needs(patient)
    factories.make_antibody(patient, "anti-E", found_year=2014)
    factories.make_exchange_session(patient)
    factories.make_forecast(patient)
    session = {**factories.suggestion_body(patient)["session"], "units": 5, "steps": STEPS}
    body = factories.suggestion_body(patient, session=session, warnings=["Weight is 29 months old."])
    factories.make_suggestion(patient, body=body, options=plan_options())
    return patient


def page_of(client, ref="SM-042"):
    return client.get(f"/people/{ref}/plan/")


def test_plan_shows_each_step_with_its_running_figures(nurse_client, planned):
    """The figures are those of the session arithmetic, which its own tests check against its sources."""
    text = page_of(nurse_client).content.decode()
    outcome = run_steps(
        Start(3770, 92, 34.2),
        [Step(s["fluid"], s["in_ml"], s["out_ml"], 50000 / 258 * (s["fluid"] != "saline")) for s in STEPS],
        mixing=1.05,
    )
    for state in outcome.steps:
        assert f"<i>{state.hb_g_l:.0f}</i>" in text
        assert f"<i>{state.hbs_pct:.1f}</i>" in text
    assert f"to <i><b>{outcome.hbs_post_pct:.1f}</b></i>" in text
    assert "Red cells, unit 1<" in text
    assert "Red cells, units 2 to 5" in text
    assert "4 × 250" in text


def test_plan_draws_no_bag_of_a_few_millilitres(nurse_client, planned):
    steps = [
        {"fluid": "red_cells", "in_ml": 258.0, "out_ml": 260.0},
        {"fluid": "red_cells", "in_ml": 516.0, "out_ml": 520.0},
    ]
    planned.suggestion.body["session"]["steps"] = steps
    planned.suggestion.save()
    text = page_of(nurse_client).content.decode()
    assert ">1 × 260<" in text
    assert ">250, 270<" in text


def test_plan_shows_limits_warnings_units_and_what_was_not_chosen(nurse_client, planned):
    text = page_of(nurse_client).content.decode()
    assert "Hb at the end and its peak" in text
    assert ">Lowest Hb on the way<" in text
    assert "Weight is 29 months old." in text
    assert "no order keeps the saline" in text
    assert '<i class="over">27</i>' in text
    assert "Hb would dip to 86" in text
    assert "HbS 18.0 of 4 May" in text
    assert "CAUTION" in text
    assert "anti-E" in text


def test_plan_falls_back_on_the_stored_forecast_and_settings(nurse_client, planned):
    """Without the planner's working the session starts from the forecast for the day: 18 + 0.6 a day, 35 days on."""
    planned.suggestion.options = plan_options(working={})
    planned.suggestion.save()
    text = page_of(nurse_client).content.decode()
    assert "HbS <i><b>39.0</b></i> to" in text
    assert "Hb <i><b>96</b></i> to" in text  # 103 − 0.2 a day
    assert "too few measured sessions to tell" in text


def test_plan_made_before_the_records_changed_says_so(nurse_client, planned):
    assert "records changed after this plan" not in page_of(nurse_client).content.decode()
    type(planned).objects.filter(pk=planned.pk).update(data_version=99)
    text = page_of(nurse_client).content.decode()
    assert "records changed after this plan was made" in text
    assert "until then nothing here may be acted on" in text


def test_locked_person_has_no_steps_no_units_and_no_print(nurse_client, planned):
    reason = "Hb and HbA mass lie under what is expected."
    planned.forecast.locked = {"reason": reason, "rows": [], "until": "2026-06-20"}
    planned.forecast.save()
    text = page_of(nurse_client).content.decode()
    assert reason in text
    assert "No red cells until a haematologist has decided" in text
    assert "Give 5 units" not in text
    assert "<table" not in text
    assert nurse_client.get("/people/SM-042/plan.pdf").status_code == 404


@pytest.mark.parametrize("stored", [True, False])
def test_plan_without_ground_gives_its_reason(nurse_client, site, frozen_day, stored):
    patient = factories.make_patient("SM-001", site=site)
    if stored:
        factories.make_unavailable_suggestion(patient, reason="No session of the last 120 days has an HbS result.")
    text = page_of(nurse_client, "SM-001").content.decode()
    assert ("No session of the last 120 days has an HbS result." if stored else "Nothing has been reckoned") in text
    assert "Cannot say" in text
    assert "<table" not in text


def test_session_that_keeps_no_limit_is_not_shown_as_a_plan(nurse_client, planned):
    body = planned.suggestion.body
    body["session"]["steps"] = []
    planned.suggestion.save()
    assert "No session keeps every limit" in page_of(nurse_client).content.decode()


def test_plan_of_another_site_does_not_exist(elsewhere_client, planned):
    assert page_of(elsewhere_client).status_code == 404
    assert elsewhere_client.get("/people/SM-042/plan.pdf").status_code == 404


@pytest.mark.parametrize("past_sessions", [1, 3])
def test_plan_asks_the_same_number_of_queries(nurse_client, planned, past_sessions, django_assert_num_queries):
    for back in range(past_sessions - 1):
        factories.make_exchange_session(planned, on=TODAY - timedelta(days=60 + 30 * back))
        factories.make_antibody(planned, f"anti-{back}")
    with django_assert_num_queries(QUERIES + A_LOOK):
        page_of(nurse_client)


@pytest.mark.parametrize(("mixing", "words"), [(1.25, "upper bound, 25 % over"), (0.75, "lower bound, 25 % under")])
def test_a_mixing_volume_at_its_bound_says_so_in_strip_and_working(nurse_client, planned, mixing, words):
    options = plan_options()
    assert "bound" not in page_of(nurse_client).content.decode()
    options["working"]["mixing"] = mixing
    planned.suggestion.options = options
    planned.suggestion.save()
    text = page_of(nurse_client).content.decode()
    assert "L, held at its bound" in text
    assert f"held at its {words} the formula" in text


def test_print_says_who_made_it_when_and_the_caution(nurse_client, nurse, planned, tmp_path):
    answer = nurse_client.get("/people/SM-042/plan.pdf")
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Cache-Control"] == "no-store"
    paper = tmp_path / "plan.pdf"
    paper.write_bytes(answer.content)
    text = " ".join(
        subprocess.run(["pdftotext", "-layout", paper, "-"], check=True, capture_output=True, text=True).stdout.split()
    )
    assert "Winterbourne, Adaeze" in text
    assert "anti-E" in text
    assert "Give 5 units in three steps" in text
    assert f"printed 1 Jun 2026, 10:00 by {nurse.full_name}" in text  # nine by UTC, an hour later in British summer
    assert "Made from the records of 1 Jun 2026 at 1 Jun 2026, 10:00" in text
    assert "Local policy applies, and a licensed prescriber decides." in text
    assert "3.96 L" in text  # mixes like: 1.05 times 3.77
    size = subprocess.run(["pdfinfo", paper], check=True, capture_output=True, text=True).stdout
    assert "(A4)" in size


def test_print_opens_no_address_that_a_page_names(tmp_path):
    """Neither a file nor a server: the server here would note that it was asked."""
    secret = tmp_path / "secret.svg"
    secret.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="90" height="20"><text y="12">keepsake</text></svg>'
    )
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.2)
        asked = f"http://127.0.0.1:{server.getsockname()[1]}/a.svg"
        html = (
            f'<!doctype html><title>x</title><p>seen <img src="{secret.as_uri()}" alt=""><img src="{asked}" alt=""></p>'
        )
        paper = tmp_path / "out.pdf"
        paper.write_bytes(to_pdf(html))
        with pytest.raises(TimeoutError):
            server.accept()
    text = subprocess.run(["pdftotext", paper, "-"], check=True, capture_output=True, text=True).stdout
    assert "seen" in text
    assert "keepsake" not in text
