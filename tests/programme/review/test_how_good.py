"""The page that says how good the forecasts are: from what is stored, in words, and honest where nothing is."""

from datetime import timedelta

import pytest

from programme.review import charts
from programme.review.queries import how_good as queries
from sessions import services
from sessions.facts import rebuild_facts
from tests import factories
from tests.browsing import WIDTHS, faults_of, pixels_beyond_the_window
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
ADDRESS = "/review/forecasts/"


def score(crps, **figures):
    plain = {
        "n": 240, "crps": crps, "mean_abs_error": 2.1, "bias": 0.12, "inside_50": 0.52, "inside_80": 0.81,
        "inside_90": 0.9, "above_p90": 0.1, "width_80": 6.4,
    }  # fmt: skip
    return plain | figures


def form(crps, **figures):
    groups = {name: score(crps + extra) for name, extra in (("gaps_1_3", 0.5), ("gaps_4_9", 0.2), ("gaps_10_up", 0.0))}
    longer = score(crps + 0.4, n=37, mean_abs_error=3.3, bias=-0.7)
    return {"attended": score(crps, **figures), "longer": longer, "routine": score(crps), "groups": groups}


def kept(said, seen, **figures):
    from_, share = said // 10 / 10, seen / 100
    plain = {
        "from_": from_, "to": from_ + 0.1, "n": 40, "n_people": 12, "count": 40 * share, "said": said / 100,
        "seen": share, "low": share - 0.1, "high": share + 0.1, "why_not": "",
    }  # fmt: skip
    return plain | figures


PROMISES = {
    "over": [kept(14, 17), kept(25, 52), kept(93, 100, low=None, high=None, n_people=3, why_not="fewer than 5 people")],
    "ranges": [kept(80, 81, from_=0.8, to=0.8)],
}


def result(**figures):
    return {
        "n_people": 24, "n_forecasts": 240, "n_left_out": 6, "best": "linear", "advised": "linear",
        "form_in_use": "graded_hb", "reason": "linear is better by 0.210 points of CRPS, standard error 0.050.",
        "results": {"graded_hb": form(1.71), "linear": form(1.5), "own_mean": form(2.02, inside_80=None)},
        **figures,
    }  # fmt: skip


def test_it_says_that_nothing_was_compared_and_what_would_do_it(site, nurse_client):
    page = nurse_client.get(ADDRESS).content.decode()
    assert "No comparison has been made yet" in page
    assert "manage.py backtest" in page
    assert "<table" not in page


def test_the_stored_figures_stand_in_the_table_best_first(site, nurse_client):
    factories.make_backtest_run(site, result=result(), form_chosen="")
    page = nurse_client.get(ADDRESS).content.decode()
    assert page.index("Straight line") < page.index("Own mean rate")
    for text in (
        "240 forecasts for 24 people",
        "1.71",
        "2.02",
        "3.30",
        "−0.70",
        "+0.12",
        "81",
        "6.4",
        "In use: Bent line",
    ):
        assert text in page
    assert "Straight line is better by 0.210 points" in page
    assert "The comparison advises Straight line" in page


def test_rows_carry_what_was_stored_and_none_where_nothing_was(site):
    factories.make_backtest_run(site, result=result(), form_chosen="")
    found = queries.how_good(site)
    assert [row.name for row in found.rows] == ["Straight line", "Bent line with Hb", "Own mean rate"]
    best, used, own = found.rows
    assert (best.best, best.in_use, used.in_use) == (True, False, True)
    assert best.crps_by_gaps == pytest.approx((2.0, 1.7, 1.5))
    assert own.inside_80 is None
    assert (found.n_longer, found.n_left_out, found.advises_another) == (37, 6, True)


def test_promises_of_the_form_in_use_are_drawn_and_judged_by_their_interval(site, nurse_client):
    told = result(comparisons=[{"form": "linear", "mean": -0.21, "standard_error": 0.05, "clearly_better": True}])
    told["results"]["graded_hb"]["calibration"] = PROMISES
    factories.make_backtest_run(site, result=told, form_chosen="")
    found = queries.how_good(site)
    assert [one.verdict for one in found.chances] == ["within chance", "more often than said", "fewer than 5 people"]
    assert [one.words for one in found.chances] == ["10 to 20", "20 to 30", "90 to 100"]
    assert (found.ranges[0].words, found.ranges[0].verdict) == ("middle 80", "within chance")
    against = {row.name: row.against for row in found.rows}
    assert (against["Straight line"].low, against["Straight line"].words) == (pytest.approx(-0.31), "clearly better")
    assert against["Bent line with Hb"] is None
    page = nurse_client.get(ADDRESS).content.decode()
    assert "−0.21 (−0.31 to −0.11)" in page
    assert page.count("<circle") == 3
    assert "was over, in 100" in page


def test_the_drawing_has_what_was_said_along_and_what_was_seen_up(site):
    told = result()
    told["results"]["graded_hb"]["calibration"] = PROMISES
    factories.make_backtest_run(site, result=told, form_chosen="")
    drawn = charts.square(queries.how_good(site).chances)
    first, _, last = drawn.stems
    assert (first.x - 44, 272 - first.y) == pytest.approx((2.6 * 14, 2.6 * 17))
    assert (272 - first.low, 272 - first.high) == pytest.approx((2.6 * 7, 2.6 * 27))
    assert (last.y, last.low) == (12, None)
    assert charts.square(()) is None


def test_a_comparison_without_promises_says_how_to_count_them(site, nurse_client):
    factories.make_backtest_run(site, result=result(), form_chosen="")
    assert "made before promises were counted" in nurse_client.get(ADDRESS).content.decode()


def test_an_accepted_form_is_in_use_with_its_reason(site, consultant, nurse_client):
    factories.make_backtest_run(site, result=result(), form_chosen="")
    services.accept_form(site=site, form="linear", reason="clearly better here", actor=consultant, at=NOW)
    page = nurse_client.get(ADDRESS).content.decode()
    assert "In use: Straight line" in page
    assert "Accepted because: clearly better here" in page
    assert "The comparison advises" not in page


def test_the_comparison_of_another_site_is_not_shown(site, elsewhere_client):
    factories.make_backtest_run(site, result=result(), form_chosen="")
    assert "No comparison has been made yet" in elsewhere_client.get(ADDRESS).content.decode()


def test_a_real_comparison_can_be_shown(site, frozen_day, nurse_client):
    patient = factories.make_patient(site=site)
    factories.make_course(patient, last_on=TODAY - timedelta(days=5), sessions=8)
    rebuild_facts([patient.pk], NOW)
    services.compare_forms(site=site, as_of=TODAY, at=NOW)
    page = nurse_client.get(ADDRESS).content.decode()
    assert "for 1 person" in page
    assert "Chance of being over the ceiling, in 100" in page
    assert "Own mean rate" in page


@pytest.mark.parametrize("rows", [1, 3])
def test_queries_stay_the_same_with_more_forms(rows, site, django_assert_num_queries):
    some = dict(list(result()["results"].items())[:rows])
    factories.make_backtest_run(site, result=result(results=some), form_chosen="")
    with django_assert_num_queries(2):
        assert len(queries.how_good(site).rows) == rows


@pytest.mark.parametrize("compared", [True, False])
def test_the_page_has_no_fault_and_fits(compared, page_as, live_server, nurse, site):
    if compared:
        told = result()
        told["results"]["graded_hb"]["calibration"] = PROMISES
        factories.make_backtest_run(site, result=told, form_chosen="")
    page = page_as(nurse)
    page.goto(live_server.url + ADDRESS)
    assert faults_of(page) == []
    assert [pixels_beyond_the_window(page, width) for width in WIDTHS] == [0, 0, 0]
