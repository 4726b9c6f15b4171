"""The pages of chairs and days: who may, one row for one form, and refusals beside the field."""

from datetime import date, time

import pytest

from programme.booking.models import Chair, ClosedDay
from programme.core.models import Site
from tests.factories import make_booking, make_chair, make_open_week, make_patient

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


def key_of(client, path):
    return client.get(path).context["page"].form["receipt"].value()


def test_the_coordinator_adds_a_chair_once_for_a_doubled_form(site, coordinator_client):
    sent = {"receipt": key_of(coordinator_client, "/chairs/chair/add/"), "name": "Chair 1", "since": "2026-06-01"}
    for _ in range(2):
        assert coordinator_client.post("/chairs/chair/add/", sent).status_code == 302
    assert Chair.objects.get().name == "Chair 1"
    assert "Chair 1" in coordinator_client.get("/chairs/").text


def test_a_refusal_stands_beside_its_field_and_keeps_what_was_typed(site, coordinator_client):
    make_open_week(site, weekdays=[0])
    sent = {"weekday": "0", "opens": "07:15", "closes": "12:00", "since": "2026-06-01"}
    sent["receipt"] = key_of(coordinator_client, "/chairs/opening/add/")
    shown = coordinator_client.post("/chairs/opening/add/", sent).text
    assert "Monday has hours from 08:00 to 18:00" in shown
    assert "07:15" in shown
    assert site.opening_hours.count() == 1


def test_a_chair_is_used_otherwise_for_some_hours_and_the_diary_says_when(site, coordinator_client):
    make_open_week(site)
    chair = make_chair(site)
    sent = {
        "chair": chair.pk,
        "weekday": "2",
        "starts": "08:00",
        "ends": "12:00",
        "since": "2026-06-01",
        "words": "top-ups",
    }
    sent["receipt"] = key_of(coordinator_client, "/chairs/use/add/")
    shown = coordinator_client.post("/chairs/use/add/", sent, follow=True).text
    assert "08:00 to 12:00" in shown
    assert coordinator_client.get("/diary/").text.count("08:00 to 12:00, top-ups") == 5, "a Wednesday in each week"


def test_a_day_that_closes_over_a_booking_says_who_must_be_moved(site, coordinator_client):
    make_open_week(site)
    make_booking(make_patient("R1", site=site, family_name="Larkspur"), make_chair(site), on=date(2026, 6, 8))
    sent = {"receipt": key_of(coordinator_client, "/chairs/closed/add/"), "on": "2026-06-08", "words": "power cut"}
    shown = coordinator_client.post("/chairs/closed/add/", sent, follow=True).text
    assert "1 booked person has no place now" in shown
    assert "Larkspur" in shown
    assert "the unit is closed (power cut)" in shown
    row = ClosedDay.objects.get()
    back = {"version": row.version, "works": "on", "words": "power is back", "reason": "mended"}
    back["receipt"] = key_of(coordinator_client, f"/chairs/closed/{row.pk}/")
    shown = coordinator_client.post(f"/chairs/closed/{row.pk}/", back, follow=True).text
    assert "Larkspur" not in shown


def test_an_old_version_is_not_saved_over_a_newer_one(site, coordinator_client):
    chair = make_chair(site)
    path = f"/chairs/chair/{chair.pk}/"
    for note in ("first", "second"):
        sent = {"receipt": key_of(coordinator_client, path), "version": 1, "name": "Chair 1", "place": 1}
        shown = coordinator_client.post(path, sent | {"note": note, "reason": "moved"}, follow=True).text
    assert "changed by someone else" in shown
    chair.refresh_from_db()
    assert chair.note == "first"


def test_others_look_and_do_not_change(site, nurse_client):
    make_chair(site)
    shown = nurse_client.get("/chairs/").text
    assert "A booking coordinator changes it" in shown
    assert "/chairs/chair/add/" not in shown
    assert nurse_client.post("/chairs/chair/add/", {}).status_code == 403


def test_several_closed_days_are_entered_at_once_and_days_never_open_left_out(site, coordinator_client):
    """Thursday 25 June to Tuesday 30 June 2026: the weekend between is closed anyway."""
    make_open_week(site)
    sent = {"on": "25 Jun 2026", "to": "30/06/2026", "words": "moving the beds"}
    path = "/chairs/closed/add/"
    shown = coordinator_client.post(path, sent | {"receipt": key_of(coordinator_client, path)}, follow=True).text
    assert "4 days that differ are in the diary" in shown
    assert [row.on.day for row in ClosedDay.objects.order_by("on")] == [25, 26, 29, 30]
    again = {"on": "24 Jun 2026", "to": "26 Jun 2026", "words": "x", "receipt": key_of(coordinator_client, path)}
    assert "Thu 25 Jun 2026 has an entry already (moving the beds)" in coordinator_client.post(path, again).text
    back = {"on": "24 Jun 2026", "to": "23 Jun 2026", "words": "x", "receipt": key_of(coordinator_client, path)}
    assert "Allowed is from Wed 24 Jun 2026, the first day, to " in coordinator_client.post(path, back).text
    assert ClosedDay.objects.count() == 4


@pytest.mark.parametrize(
    ("country", "region", "words"),
    [
        ("GB", "SCT", "United Kingdom (GB), Scotland (SCT)"),
        ("FR", "", "France (FR)"),
        ("DE", "BY", "Germany (DE), Bayern (BY)"),
    ],
)
def test_it_says_whose_bank_holidays_hold(site, nurse_client, country, region, words):
    """ISO 3166-1 and -2: GB-SCT is Scotland, DE-BY is Bayern."""
    Site.objects.filter(pk=site.pk).update(country=country, region=region)
    assert f"those of <b>{words}</b>" in nurse_client.get("/chairs/").text


def test_it_is_loud_where_no_bank_holidays_are_known(site, nurse_client):
    Site.objects.filter(pk=site.pk).update(country="GB", region="XX")
    shown = nurse_client.get("/chairs/").text
    assert "No bank holidays are known for GB XX: the unit counts as open on every one" in shown


def test_it_says_what_a_staff_limit_counts(site, nurse_client):
    shown = nurse_client.get("/chairs/").text
    assert "How many exchanges staff can run at once." in shown
    assert "somebody who needs two nurses counts for two" in shown


def test_a_chair_of_another_unit_is_unknown(other_site, coordinator_client):
    assert coordinator_client.get(f"/chairs/chair/{make_chair(other_site).pk}/").status_code == 404


@pytest.mark.parametrize("rows", [1, 3])
def test_the_page_asks_the_same_whatever_it_holds(site, coordinator_client, rows, django_assert_num_queries):
    make_open_week(site)
    for n in range(rows):
        chair = make_chair(site, starts=time(9 + n))
        make_booking(make_patient(f"R{n}", site=site), chair, on=date(2026, 6, 8))
    coordinator_client.get("/chairs/")
    with django_assert_num_queries(21):
        coordinator_client.get("/chairs/")


def test_the_coordinator_changes_whose_bank_holidays_hold(site, coordinator_client):
    path = "/chairs/bank-holidays/"
    assert path in coordinator_client.get("/chairs/").text
    sent = {"country": "GB", "region": "XX", "version": site.version, "reason": "moved north"}
    sent["receipt"] = key_of(coordinator_client, path)
    assert "allowed is ENG, NIR, SCT, WLS" in coordinator_client.post(path, sent).text
    shown = coordinator_client.post(path, sent | {"region": "SCT"}, follow=True).text
    assert "The bank holidays of United Kingdom (GB), Scotland (SCT) hold now." in shown
