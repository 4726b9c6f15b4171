"""The page that tries one session: it works out what stands in its address, and writes nothing."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from patients.models import LabResult
from programme.core.models import Receipt, TrailEntry
from sessions.models import ExchangeSession
from sessions.numeric.exchange import Start, Step, run_steps
from tests import factories

FIGURES = {"sex": "F", "height_cm": "165", "weight_kg": "60", "hb_g_l": "8.5", "hbs_pct": "45", "blood_volume_ml": ""}
STEPS = [("saline", "375", "375", ""), ("red_cells", "270", "330", "190")]


def query(*steps, do="", **figures):
    parts = {**FIGURES, **figures}
    for n, (fluid, given, drawn, hb) in enumerate(steps or STEPS, start=1):
        names = {"fluid": fluid, "in_ml": given, "out_ml": drawn, "cells_hb_g_l": hb}
        parts |= {f"s{n}-{name}": value for name, value in names.items()}
    return parts | ({"do": do} if do else {})


def fluids(answer):
    return [row.form.data[row.form.add_prefix("in_ml")] for row in answer.context["page"].rows]


def test_page_shows_what_the_session_arithmetic_gives(nurse_client, frozen_day):
    answer = nurse_client.get("/try/", query(blood_volume_ml="4200"))
    outcome = run_steps(Start(4200, 85, 45), [Step("saline", 375, 375), Step("red_cells", 270, 330, 190)])
    text = answer.content.decode()
    assert "read as 85 g/L" in text
    for figure in (outcome.hb_post_g_l, outcome.hb_settled_g_l, outcome.hbs_post_pct, outcome.steps[0].hb_g_l):
        assert f">{figure:.1f}<" in text
    assert f">{outcome.deepest_deficit_ml:.0f}<" in text
    assert "as typed" in text


def test_red_cells_without_an_hb_take_the_units(nurse_client, site, frozen_day):
    factories.make_site_setting(site=site, name="unit_hb_g", value=55)
    answer = nurse_client.get("/try/", query(("red_cells", "258", "258", "")))
    assert answer.context["page"].tried.outcome.donor_hb_given_g == pytest.approx(55)


@pytest.mark.parametrize(
    ("do", "order"),
    [
        ("down-1", ["270", "375"]),
        ("up-2", ["270", "375"]),
        ("up-1", ["375", "270"]),
        ("out-1", ["270"]),
        ("out-9", ["375", "270"]),
        ("up-x", ["375", "270"]),
        ("add-saline", ["375", "270", "250"]),
        ("add-unit", ["375", "270", "258"]),
        ("add-bleed", ["375", "270", "0"]),
        ("add-nonsense", ["375", "270"]),
    ],
)
def test_buttons_move_take_out_and_add_steps_without_script(nurse_client, frozen_day, do, order):
    assert fluids(nurse_client.get("/try/", query(do=do))) == order


def test_a_moved_step_can_be_put_back(nurse_client, frozen_day):
    moved = nurse_client.get("/try/", query(do="down-1")).context["page"]
    assert moved.said == "Step 1 was just moved down"
    steps = [
        tuple(row.form.data[row.form.add_prefix(n)] for n in ("fluid", "in_ml", "out_ml", "cells_hb_g_l"))
        for row in moved.rows
    ]
    assert fluids(nurse_client.get("/try/", query(*steps, do=moved.undo))) == ["375", "270"]


def test_the_last_step_cannot_be_taken_out_and_no_more_than_twenty_be_added(nurse_client, frozen_day):
    assert fluids(nurse_client.get("/try/", query(STEPS[0], do="out-1"))) == ["375"]
    assert len(fluids(nurse_client.get("/try/", query(*STEPS * 10, do="add-saline")))) == 20


@pytest.mark.parametrize(
    ("figures", "says"),
    [
        ({"weight_kg": "580"}, "580 is outside what is allowed, a number from 2 to 300 kg"),
        ({"weight_kg": ""}, "Weight is needed"),
        ({"hb_g_l": "25"}, "25 is outside what is allowed, 30 to 200 g/L (or 3 to 20 g/dL)"),
        ({"hbs_pct": "nan"}, "is not a number from 0 to 100 %"),
        ({"hbs_pct": "1e999"}, "outside what is allowed"),
        ({"sex": "X"}, "Select a valid choice"),
    ],
)
def test_a_wrong_figure_is_named_and_kept(nurse_client, frozen_day, figures, says):
    answer = nurse_client.get("/try/", query(**figures))
    text = answer.content.decode().replace("&#x27;", "'")
    assert says in text
    assert answer.context["page"].tried is None
    (typed,) = figures.values()
    assert not typed or typed == "X" or f'value="{typed}"' in text


def test_more_blood_than_there_is_is_said(nurse_client, frozen_day):
    text = nurse_client.get("/try/", query(("saline", "0", "3000", ""), ("saline", "0", "3000", ""))).content.decode()
    assert "cannot be carried out: step 2 would draw more blood than there is" in text


def test_page_opens_with_empty_figures(nurse_client, frozen_day):
    answer = nurse_client.get("/try/")
    assert "Enter sex, weight, Hb and HbS before" in answer.content.decode()
    assert fluids(answer) == ["250", "258"]


def test_a_persons_newest_results_fill_the_figures(nurse_client, site, frozen_day):
    patient = factories.make_patient("SM-042", site=site)
    factories.make_result(patient, analyte="718-7", value=88, on=factories.TODAY)
    text = nurse_client.get("/try/", {"ref": "SM-042"}).content.decode()
    assert 'value="88"' in text
    assert "newest Hb of 1 Jun 2026" in text


def test_a_suggestion_fills_steps_and_expected_figures(nurse_client, site, frozen_day):
    patient = factories.make_patient("SM-042", site=site)
    factories.make_result(patient, analyte="718-7", value=88, on=factories.TODAY)
    options = {"working": {"hb_before_g_l": 93.0, "hbs_before_pct": 31.5}}
    factories.make_suggestion(patient, options=options)
    answer = nurse_client.get("/try/", {"ref": "SM-042"})
    assert fluids(answer) == ["500", "1290"]
    text = answer.content.decode()
    assert 'value="31.5"' in text
    assert "as expected for 8 Jun 2026. The steps are those suggested" in text


@pytest.mark.parametrize("ref", ["nobody", "EL-1"])
def test_an_unknown_reference_or_one_of_another_site_is_not_found(nurse_client, other_site, frozen_day, ref):
    factories.make_patient("EL-1", site=other_site)
    answer = nurse_client.get("/try/", {"ref": ref})
    assert answer.status_code == 404
    assert f"No person with the reference {ref} at your site" in answer.content.decode()


def test_typing_is_answered_with_what_is_reckoned_only(nurse_client, frozen_day):
    answer = nurse_client.get("/try/", query(), headers={"HX-Request": "true"})
    text = answer.content.decode()
    assert "<form" not in text
    assert "<input" not in text
    assert 'id="s1-hb" hx-swap-oob' in text
    assert answer["HX-Replace-Url"].startswith("/try/?sex=F&")


def test_a_button_is_answered_with_the_whole_form(nurse_client, frozen_day):
    answer = nurse_client.get("/try/", query(do="down-1"), headers={"HX-Request": "true"})
    assert (answer["HX-Retarget"], answer["HX-Reswap"]) == ("#try-form", "outerHTML")
    assert 'id="live" hx-swap-oob="innerHTML">Step 1 was just moved down' in answer.content.decode()
    assert "do=" not in answer["HX-Replace-Url"]


def test_nothing_is_written(nurse_client, site, frozen_day):
    factories.make_exchange_session(factories.make_patient("SM-042", site=site))
    tables = (LabResult, ExchangeSession, TrailEntry, Receipt)
    before = [table.objects.count() for table in tables]
    with CaptureQueriesContext(
        connection,
    ) as queries:
        nurse_client.get("/try/", query(do="add-unit"))
        nurse_client.get("/try/", {"ref": "SM-042"})
    assert [table.objects.count() for table in tables] == before
    assert not [q["sql"] for q in queries if q["sql"].split()[0] in ("INSERT", "UPDATE", "DELETE")]


@pytest.mark.parametrize("steps", [1, 3])
def test_page_asks_the_same_number_of_queries(nurse_client, frozen_day, django_assert_num_queries, steps):
    with django_assert_num_queries(5):  # the visit, the user, the site, its settings, what waits in the inbox
        nurse_client.get("/try/", query(*STEPS[:1] * steps))


def test_posting_is_refused(nurse_client, frozen_day):
    assert nurse_client.post("/try/", query()).status_code == 405
