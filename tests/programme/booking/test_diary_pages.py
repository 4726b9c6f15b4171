"""The pages of the diary: what they show, what they refuse, and that their queries do not grow with the rows."""

from datetime import date, time, timedelta

import pytest
from django.urls import reverse

from patients.models import Patient
from programme.booking.models import Booking, Chair, ClosedDay, OtherUse, Slot, StaffLimit, Waiting, Wishes
from tests.factories import (
    TODAY,
    make_antibody,
    make_away,
    make_booking,
    make_chair,
    make_exchange_session,
    make_fit_in_force,
    make_open_week,
    make_patient,
    make_standing,
    make_unavailable_suggestion,
)
from tests.looks import A_LOOK

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
MONDAY = date(2026, 6, 8)
DIARY = "/diary/"


@pytest.fixture
def fit(site):
    make_open_week(site)
    return make_fit_in_force(site)


def person(ref, fit, name="Larkspur", **suggestion):
    patient = make_patient(ref, site=fit.site, family_name=name)
    make_exchange_session(patient)
    make_standing(patient, fit, **suggestion)
    return patient


@pytest.fixture
def ada(fit):
    return person("R1", fit)


@pytest.fixture
def chair(fit):
    return make_chair(fit.site)


def body(answer):
    return " ".join(answer.content.decode().split())


def receipt(answer):
    return answer.context["receipt"]


def value(chair, on, patient=None):
    place = f"{chair.pk}|{on.isoformat()}|1"
    return place if patient is None else f"{patient.patient_ref}|{place}"


# The sheet


def test_days_run_down_and_say_what_each_chair_is_doing(coordinator_client, ada, chair, fit):
    site = fit.site
    other, third = make_chair(site), make_chair(site)
    OtherUse.objects.create(chair=other, weekday=2, since=date(2026, 1, 1), words="top-ups")
    StaffLimit.objects.create(site=site, since=date(2026, 6, 5), until=date(2026, 6, 5), most=0, words="2 nurses away")
    ClosedDay.objects.create(site=site, on=date(2026, 6, 12), words="moving the beds")
    make_booking(person("R2", fit, "Pemberwell"), chair, on=MONDAY)
    make_booking(person("R3", fit, "Quillfeather"), third, on=TODAY, state="missed")
    page = body(coordinator_client.get(DIARY))
    for words in ("Pemberwell", "top-ups", "2 nurses away", "closed: moving the beds", "did not come", "Chair 3"):
        assert words in page
    assert "Sat 6" not in page


def test_a_person_who_needs_a_place_has_chances_and_three_ranked_places(coordinator_client, ada, chair):
    answer = coordinator_client.get(DIARY)
    (column,) = answer.context["page"].people
    assert [(one.rank, one.place.on) for one in column.places] == [
        (1, MONDAY), (2, date(2026, 6, 5)), (3, date(2026, 6, 9)),
    ]  # fmt: skip
    # By hand, chance in 100 and 1.5 for each day from the best: 8 + 0, 5 + 4.5, Tuesday 9 + 1.5; Thursday the 4th has
    # 4 + 6, but its blood had to be ordered on Friday, four working days before.
    page = body(answer)
    assert "One person has no safe place." in page
    assert f'value="{value(chair, MONDAY, ada)}"' in page
    cells = {row.on: row.beside[0][1] for row in answer.context["page"].rows}
    assert (cells[MONDAY].chance, cells[MONDAY].inside) == (0.08, True)
    assert cells[date(2026, 6, 10)].last and cells[date(2026, 6, 11)].late
    assert cells[date(2026, 6, 24)].chance is None  # ten open days after the last safe one


def test_a_safe_booking_settles_it_and_a_late_one_does_only_with_its_reason(coordinator_client, ada, chair):
    booked = make_booking(ada, chair, on=date(2026, 6, 12), latest_safe=date(2026, 6, 12))
    page = coordinator_client.get(DIARY).context["page"]
    assert [one.wish for one in page.people] == ["booked too late"]  # the window has become shorter since
    Booking.objects.filter(pk=booked.pk).update(late_reason="asked the consultant")
    assert coordinator_client.get(DIARY).context["page"].people == ()


def test_a_reason_for_a_late_place_settles_it_until_the_window_has_moved_on(coordinator_client, ada, chair):
    """Booked for 12 June, a day after the last safe day then; that day is 10 June by now, and at last 29 May."""
    make_booking(ada, chair, on=date(2026, 6, 12), latest_safe=date(2026, 6, 11), late_reason="after her examinations")
    assert coordinator_client.get(DIARY).context["page"].people == ()
    ada.suggestion.latest_safe_date = date(2026, 5, 29)
    ada.suggestion.save()
    answer = coordinator_client.get(DIARY)
    (column,) = answer.context["page"].people
    assert column.places and "One person has no safe place." in body(answer)


def test_somebody_of_whom_no_window_is_known_and_who_has_no_place_is_named(coordinator_client, ada, chair, fit):
    """Never silently left out: who is new, and who gets no suggestion; a place settles it."""
    make_booking(ada, chair, on=date(2026, 6, 5))
    new = make_patient("R7", site=fit.site, family_name="Sandeman", given_name="Lucille")
    make_unavailable_suggestion(make_patient("R8", site=fit.site, family_name="Whitcombe", given_name="Darnell"))
    said = body(coordinator_client.get(DIARY))
    assert "Everyone who is due in these weeks, as far as is known, has a safe place." in said
    assert "No window is known of 2 people without a place:" in said
    assert said.index("Sandeman, Lucille") < said.index("Whitcombe, Darnell") < said.index("the list says why")
    make_booking(new, chair, on=date(2026, 6, 9))
    said = body(coordinator_client.get(DIARY))
    assert "No window is known of 1 person without a place:" in said
    assert said.count("Sandeman, Lucille</a>") == 0


def test_somebody_past_the_last_safe_day_is_named_with_the_first_free_place(coordinator_client, fit, chair):
    person("R1", fit, latest_safe_date=date(2026, 5, 28), next_date=TODAY)
    page = body(coordinator_client.get(DIARY))
    assert "<b>Ada Larkspur</b> is past the last safe day; the first free place is <b>Tue 2 Jun, 09:00</b>." in page
    assert "Blood for it had to be ordered by Wed 27 May 2026; telephone the laboratory first." in page


def test_people_who_often_miss_are_planned_with_it_in_mind(coordinator_client, ada, chair):
    for on in (date(2026, 2, 2), date(2026, 4, 6)):
        make_booking(ada, chair, on=on, state="missed")
    answer = coordinator_client.get(DIARY)
    assert "2 visits could not be kept in the last year; the days offered leave room for another try." in body(answer)
    assert answer.context["page"].people[0].places[0].place.on == date(2026, 6, 5)  # with time for blood


def test_a_booking_stays_in_sight_when_its_chair_start_or_day_is_taken_away(coordinator_client, ada, chair, fit):
    make_chair(fit.site)
    make_booking(ada, chair)
    ClosedDay.objects.create(site=fit.site, on=MONDAY, words="moving the beds")
    page = coordinator_client.get(DIARY).context["page"]
    (row,) = [row for row in page.rows if row.on == MONDAY]
    assert [(cell.name, cell.words) for cell in row.cells] == [("Larkspur", ""), ("", "closed")]
    chair.slots.update(until=date(2026, 6, 3))
    assert "Larkspur" in [cell.name for row in coordinator_client.get(DIARY).context["page"].rows for cell in row.cells]
    Chair.objects.filter(pk=chair.pk).update(until=date(2026, 5, 31))
    page = coordinator_client.get(DIARY).context["page"]
    assert [(one.name, one.starts) for one in page.columns] == [("Chair 2", "09:00"), ("Chair 1", "given up")]
    assert "Larkspur" in [cell.name for row in page.rows for cell in row.cells]


def test_where_columns_run_out_the_others_are_named_with_their_places(coordinator_client, fit, chair):
    for n in range(10):
        person(f"R{n}", fit, f"Name{n}", latest_safe_date=MONDAY + timedelta(n))
    answer = coordinator_client.get(DIARY)
    page = answer.context["page"]
    assert [one.name for one in page.people] == [f"Name{n}" for n in range(8)]  # most pressing first
    assert [one.name for one in page.others] == ["Name8", "Name9"]
    assert "8 of 10 people have a column" in body(answer)
    assert '<a href="/people/R9/places/">Name9</a>' in body(answer)


def test_another_sheet_and_a_day_that_is_none(coordinator_client, ada, chair):
    page = coordinator_client.get(DIARY, {"since": "2026-07-15"}).context["page"]
    assert page.rows[0].on == date(2026, 7, 13)
    answer = coordinator_client.get(DIARY, {"since": "yesterday"})
    assert "&#x27;yesterday&#x27; is no day of the diary; write one such as 2026-06-01." in body(answer)


def test_a_unit_without_chairs_says_so(coordinator_client, site):
    assert "no chair with a start" in body(coordinator_client.get(DIARY))


@pytest.mark.parametrize("count", [1, 3])
def test_the_sheet_asks_the_database_as_often_for_three_as_for_one(
    coordinator_client, fit, django_assert_num_queries, count
):
    for n in range(count):
        patient, chair = person(f"R{n}", fit, f"Name{n}"), make_chair(fit.site)
        make_booking(person(f"B{n}", fit, f"Booked{n}"), chair)
        Wishes.objects.create(patient=patient, weekdays="0,2", travel="by the ferry")
    with django_assert_num_queries(31):
        answer = coordinator_client.get(DIARY)
    assert len(answer.context["page"].people) == count


@pytest.mark.parametrize("count", [1, 3])
def test_the_places_of_a_person_too(coordinator_client, ada, fit, django_assert_num_queries, count):
    for n in range(count):
        make_booking(ada, make_chair(fit.site), on=MONDAY + timedelta(14 + n), late_reason="as agreed")
    with django_assert_num_queries(23 + A_LOOK):
        coordinator_client.get(reverse("booking:places", args=["R1"]))


def test_the_places_of_somebody_in_the_chair_say_that_they_were_found_before_the_session(coordinator_client, ada):
    key = make_exchange_session(ada, on=TODAY, state="running").pk
    said = body(coordinator_client.get(reverse("booking:places", args=["R1"])))
    assert f'running: <a href="/people/R1/day/{key}/plan/">its plan</a>. What is suggested on this page was' in said


def test_how_somebody_travels_is_said_where_a_place_is_chosen_and_the_times_are_kept(coordinator_client, ada, chair):
    early = make_chair(chair.site, starts=time(8), ends=time(15))
    Wishes.objects.create(patient=ada, earliest=time(9), travel="two hours by bus")
    answer = coordinator_client.get(reverse("booking:places", args=["R1"]))
    assert "Travel: two hours by bus. Every place below keeps to their earliest start" in body(answer)
    offered = {one.place.chair_pk for one in (*answer.context["page"].ranked, *answer.context["page"].others)}
    assert offered == {chair.pk}
    assert early.pk not in offered


# Booking


def test_a_place_far_too_late_asks_whether_the_consultant_knows(coordinator_client, ada, chair):
    """The last safe day is Wednesday 10 June."""
    path, far = reverse("booking:places", args=["R1"]), date(2026, 6, 25)
    sent = {"place": value(chair, far), "late_reason": "abroad"}
    shown = body(coordinator_client.post(path, sent | {"receipt": receipt(coordinator_client.get(path))}))
    assert "Thu 25 Jun 2026 is far too late: 15 days after the last safe day" in shown
    assert '<b class="over">far too late</b>' in shown
    assert 'id="far_fault"' in shown
    assert not Booking.objects.exists()
    key = receipt(coordinator_client.get(path))
    coordinator_client.post(path, sent | {"receipt": key, "far_late": "on"})
    assert Booking.objects.get().on == far


def test_one_touch_books_and_says_where(coordinator_client, ada, chair):
    key = receipt(coordinator_client.get(DIARY))
    for _ in range(2):  # a double Enter
        sent = {"receipt": key, "place": value(chair, MONDAY, ada)}
        answer = coordinator_client.post("/diary/book/", sent, follow=True)
    assert Booking.objects.get().on == MONDAY
    assert "Everyone who is due in these weeks has a safe place." in body(answer)


def test_what_was_said_of_blood_where_a_place_was_offered_is_said_again_once_it_is_booked(
    coordinator_client, ada, chair
):
    """With an antibody ten working days: for Monday 8 June by Wednesday 20 May, worked by hand in test_proposals."""
    make_antibody(ada)
    key = receipt(coordinator_client.get(DIARY))
    sent = {"receipt": key, "place": value(chair, MONDAY, ada)}
    said = body(coordinator_client.post("/diary/book/", sent, follow=True))
    assert "Blood for it had to be ordered by Wed 20 May 2026; telephone the laboratory first." in said


def test_a_place_that_was_taken_meanwhile_is_said_with_what_is_free(coordinator_client, ada, chair, fit):
    key = receipt(coordinator_client.get(DIARY))
    make_booking(person("R2", fit, "Pemberwell"), chair)
    answer = coordinator_client.post("/diary/book/", {"receipt": key, "place": value(chair, MONDAY, ada)}, follow=True)
    assert "This place was taken a moment ago. Nothing is free that day; choose another." in body(answer)
    assert Booking.objects.count() == 1


def test_a_late_place_leads_to_where_the_reason_is_asked(coordinator_client, ada, chair):
    late = value(chair, date(2026, 6, 12), ada)
    key = receipt(coordinator_client.get(DIARY))
    answer = coordinator_client.post("/diary/book/", {"receipt": key, "place": late})
    assert answer.url == "/people/R1/places/"
    page = coordinator_client.get(answer.url)
    sent = {"receipt": receipt(page), "place": value(chair, date(2026, 6, 12)), "late_reason": ""}
    refused = coordinator_client.post(answer.url, sent)
    assert "is after the last safe day, Wed 10 Jun 2026: say why." in body(refused)
    assert f'value="{sent["place"]}" checked' in body(refused)
    coordinator_client.post(answer.url, sent | {"receipt": receipt(refused), "late_reason": "Examinations."})
    assert Booking.objects.get().late_reason == "Examinations."


@pytest.mark.parametrize("sent", ["", "R1", "R1|x|2026-06-08|1", "R1|1|soon|1"])
def test_a_place_that_cannot_be_read_is_refused(coordinator_client, ada, chair, sent):
    answer = coordinator_client.post("/diary/book/", {"receipt": "k" * 20, "place": sent}, follow=True)
    assert "Choose" in body(answer)
    assert Booking.objects.count() == 0


def test_people_of_another_unit_are_unknown_here(elsewhere_client, ada, chair):
    booked = make_booking(ada, chair)
    assert elsewhere_client.get("/people/R1/places/").status_code == 404
    assert elsewhere_client.get(f"/people/R1/bookings/{booked.pk}/").status_code == 404
    sent = {"receipt": "k" * 20, "place": value(chair, MONDAY + timedelta(1), ada)}
    assert elsewhere_client.post("/diary/book/", sent).status_code == 404
    assert "Larkspur" not in body(elsewhere_client.get(DIARY))


def test_a_booking_of_one_person_is_not_reached_through_another(coordinator_client, ada, chair, fit):
    booked = make_booking(person("R2", fit), chair)
    assert coordinator_client.get(f"/people/R1/bookings/{booked.pk}/").status_code == 404


# One booking


def act(client, booking, act, **more):
    there = reverse("booking:booking", args=[booking.patient.patient_ref, booking.pk])
    page = client.get(there)
    version = more.pop("version", page.context["page"].booking.version)
    return client.post(there, {"receipt": receipt(page) + "-a", "version": version, "act": act, **more}, follow=True)


def test_a_booking_is_confirmed_missed_and_came_after_all(coordinator_client, ada, chair):
    booked = make_booking(ada, chair, on=TODAY)
    assert "knows and will come" in body(act(coordinator_client, booked, "confirm"))
    assert "did not come on Mon 1 Jun 2026; the list asks for a call." in body(
        act(coordinator_client, booked, "missed")
    )
    assert "came on Mon 1 Jun 2026" in body(act(coordinator_client, booked, "came"))
    assert Booking.objects.get().state == "came"


def test_before_its_hour_a_place_is_cancelled_and_not_missed(coordinator_client, ada, fit):
    booked = make_booking(ada, make_chair(fit.site, starts=time(11)), on=TODAY)
    there = reverse("booking:booking", args=["R1", booked.pk])
    page = body(coordinator_client.get(there))
    assert 'value="missed"' not in page
    assert 'value="came"' in page
    assert "can be recorded once it is 11:00 on the day. Somebody who rings" in page


def test_moving_needs_who_why_and_where_and_keeps_what_was_typed(coordinator_client, ada, chair):
    booked = make_booking(ada, chair)
    answer = act(coordinator_client, booked, "move", reason="An interview.")
    assert "Choose the place to move to." in body(answer)
    assert 'value="An interview."' in body(answer)
    where = value(chair, date(2026, 6, 9))
    assert "Say who asked for it" in body(act(coordinator_client, booked, "move", reason="An interview.", place=where))
    answer = act(coordinator_client, booked, "move", reason="An interview.", place=where, ended_by="person")
    assert "Larkspur, Ada is moved: Tue 9 Jun 2026, 09:00, Chair 1." in body(answer)
    booked.refresh_from_db()
    there = reverse("booking:booking", args=["R1", booked.pk])
    assert "Moved to" in body(coordinator_client.get(there))


def test_cancelling_frees_the_chair(coordinator_client, ada, chair):
    booked = make_booking(ada, chair)
    act(coordinator_client, booked, "cancel", reason="No staff.", ended_by="unit")
    assert Booking.objects.get().state == "cancelled"
    assert coordinator_client.get(DIARY).context["page"].people[0].places[0].place.on == MONDAY


def test_an_old_version_is_said(coordinator_client, ada, chair):
    booked = make_booking(ada, chair)
    Booking.objects.filter(pk=booked.pk).update(version=4)
    answer = act(coordinator_client, booked, "cancel", reason="No staff.", ended_by="unit", version=1)
    assert "changed by someone else after you opened it" in body(answer)


def test_who_waits_for_an_earlier_place_is_named_when_one_falls_away(coordinator_client, ada, chair, fit):
    """Waiting: one booked later, one not before the 20th, one booked sooner, one for whom the day is of no use."""
    other = make_chair(fit.site)
    booked = make_booking(ada, chair, on=date(2026, 6, 12))
    rows = {name: person(f"W{n}", fit, name) for n, name in enumerate(("Later", "Notyet", "Sooner"))}
    rows["Nouse"] = person("W9", fit, "Nouse", next_date=date(2026, 7, 20), latest_safe_date=date(2026, 7, 24))
    make_away(rows["Nouse"], since=date(2026, 6, 8), until=date(2026, 6, 16))
    make_booking(rows["Nouse"], other, on=date(2026, 6, 26))
    make_booking(rows["Later"], other, on=date(2026, 6, 19))
    make_booking(rows["Sooner"], other, on=date(2026, 6, 10))
    by = rows["Later"].bookings.get().made_by
    for name, row in rows.items():
        day = date(2026, 6, 20) if name == "Notyet" else None
        Waiting.objects.create(patient=row, since=TODAY, by=by, not_before=day)
    answer = act(coordinator_client, booked, "cancel", reason="No staff.", ended_by="unit")
    assert f"{rows['Later'].shown_name} waits for an earlier place: see To reach." in body(answer)


def test_whose_figures_are_older_than_the_records_is_said_at_the_head_of_their_column(coordinator_client, ada, chair):
    (column,) = coordinator_client.get(DIARY).context["page"].people
    assert column.wish != "figures out of date"
    Patient.objects.filter(pk=ada.pk).update(data_version=ada.data_version + 1)
    (column,) = coordinator_client.get(DIARY).context["page"].people
    assert column.wish == "figures out of date"


def test_who_can_have_no_place_is_told_which_limit_holds(coordinator_client, ada, chair):
    StaffLimit.objects.create(site=chair.site, since=TODAY, most=0)
    page = body(coordinator_client.get(reverse("booking:places", args=["R1"])))
    assert "Chairs are free for long enough on days that are of use to them, but staff cannot run" in page


def test_a_session_that_would_outlast_its_place_is_named_with_who_comes_after(coordinator_client, fit):
    """Booked for two units, 150 min by hand with the rest; by now it takes eight, 420 min: 09:00 to 16:00."""
    long, chair = person("R1", fit, "Larkspur"), make_chair(fit.site, starts=time(9), ends=time(12))
    Slot.objects.create(chair=chair, number=2, starts=time(12), ends=time(17), since=chair.since)
    booked = make_booking(long, chair, on=MONDAY)
    after = make_booking(person("R2", fit, "Pemberwell"), make_chair(fit.site), on=MONDAY)
    Booking.objects.filter(pk=after.pk).update(chair=chair, starts=time(12), ends=time(17))

    def units(count):
        suggestion = long.suggestion
        suggestion.body["session"]["units"] = count
        suggestion.save()
        return [
            one.why for one in coordinator_client.get(DIARY).context["page"].too_short if one.booking.pk == booked.pk
        ]

    assert units(2) == []
    assert units(8) == [
        "it would last until 16:00, and the chair is theirs to 12:00; Pemberwell, Ada has the chair from 12:00"
    ]
    assert "would now outlast the place booked for it" in body(coordinator_client.get(DIARY))
