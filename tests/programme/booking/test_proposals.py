"""A proposal of places for everyone: made, changed, accepted whole or in part; nothing is booked by itself."""

from datetime import date, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from patients.models import Patient
from programme.booking.models import Booking, BookingState, ClosedDay, Occupied, Proposal, StaffLimit
from programme.booking.numeric.reasons import Reasons
from programme.booking.queries.proposal import read_proposal
from programme.booking.services import booking, proposals
from programme.booking.services.accepting import accept
from programme.core.models import TrailEntry
from tests.conftest import client_of
from tests.factories import (
    NOW,
    TODAY,
    make_antibody,
    make_away,
    make_booking,
    make_chair,
    make_forecast,
    make_open_week,
    make_patient,
    make_site,
    make_suggestion,
    make_user,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
DAY = timedelta(1)


@pytest.fixture
def coordinator(site):
    make_open_week(site)
    return make_user(role="coordinator", site=site)


def due_person(ref, *, best=TODAY + 7 * DAY, latest=TODAY + 9 * DAY):
    """Somebody for whom no day before the best one is of use."""
    person = make_patient(ref)
    make_forecast(person)
    options = {"earliest_date": best.isoformat()}
    make_suggestion(person, next_date=best, latest_safe_date=latest, options=options)
    return person


def proposed(actor, *, moves="nobody", weeks=4):
    row = proposals.ask(site=actor.site, first=TODAY, weeks=weeks, moves=moves, actor=actor, at=NOW)
    return made(row)


def made(row):
    proposals.make(key=row.pk, at=NOW)
    row.refresh_from_db()
    return row


def take(row, who, actor, *, at=NOW, **reasons):
    given = dict.fromkeys(who, Reasons(**reasons))
    return accept(proposal=row, version=row.version, reasons=given, actor=actor, at=at)


def refs(row):
    return [one["patient_ref"] for one in row.found["placed"]]


def test_the_same_input_gives_the_same_proposal_and_nothing_is_booked(coordinator) -> None:
    make_chair()
    for n in range(4):
        due_person(f"R{n}")
    one, two = proposed(coordinator), proposed(coordinator)
    assert one.found == two.found
    assert (one.basis, one.state) == (two.basis, "made")
    assert len(one.found["placed"]) + len(one.found["left"]) == 4
    assert not Booking.objects.exists()


def test_who_has_no_window_and_no_place_is_named_beside_the_proposal(coordinator) -> None:
    make_chair()
    due_person("R1")
    make_patient("R2", family_name="Sandeman", given_name="Lucille")
    row = proposed(coordinator)
    assert refs(row) == ["R1"]
    said = client_of(coordinator).get(reverse("booking:proposal", args=[row.pk])).text
    assert said.index("No window is known of 1 person without a place:") < said.index("Sandeman, Lucille</a>")


def test_a_day_with_time_for_the_blood_is_proposed_and_nobody_is_placed_late_for_it(coordinator) -> None:
    """With an antibody, ten working days ahead: in time from Monday 15 June, a fortnight from TODAY. By hand for Monday
    8 June: 5, 4, 3, 2, 1 June, 29, 28, 27, 26, 22 May; the holiday of 25 May lies between, so 21 and 20 May too."""
    make_chair()
    for person in (
        due_person("EARLY", latest=TODAY + 11 * DAY),
        due_person("ROOM", best=TODAY + 9 * DAY, latest=TODAY + 18 * DAY),
    ):
        make_antibody(person)
    row = proposed(coordinator)
    found = {one["patient_ref"]: one for one in row.found["placed"]}
    assert found["ROOM"]["on"] >= (TODAY + 14 * DAY).isoformat()
    assert found["ROOM"]["blood"] == ""
    assert found["EARLY"]["on"] == (TODAY + 7 * DAY).isoformat()
    assert not found["EARLY"]["late"]
    said = "Blood for it had to be ordered by Wed 20 May 2026; telephone the laboratory first."
    assert found["EARLY"]["blood"] == said
    page = client_of(coordinator).get(reverse("booking:proposal", args=[row.pk]))
    assert f">{said}</b>" in page.text


def test_a_place_that_is_far_too_late_is_accepted_only_where_the_consultant_knows(coordinator) -> None:
    make_chair()
    due_person("R1", best=TODAY - 20 * DAY, latest=TODAY - 20 * DAY)
    row, client = proposed(coordinator), client_of(coordinator)
    address = reverse("booking:proposal", args=[row.pk])
    assert 'name="far_late" form="take"' in client.get(address).text
    sent = {"take": ["R1"], "version": row.version, "late_reason": "was away"}
    for more, booked in (({}, 0), ({"far_late": "on"}, 1)):
        key = client.get(address).context["receipt"]
        answer = client.post(f"{address}accept/", {**sent, **more, "receipt": key}, follow=True)
        assert Booking.objects.count() == booked
        assert ("is far too late" in answer.text) == (not booked)


def test_accepting_a_part_books_that_part_and_the_rest_can_follow(coordinator) -> None:
    make_chair()
    for n in range(3):
        due_person(f"R{n}")
    row = proposed(coordinator)
    first, *rest = refs(row)
    count, _ = take(row, [first], coordinator)
    assert count == 1
    assert [one.patient.patient_ref for one in Booking.objects.all()] == [first]
    row.refresh_from_db()
    take(row, rest, coordinator)
    row.refresh_from_db()
    assert set(row.accepted) == {first, *rest}
    assert Booking.objects.standing().count() == 3
    assert TrailEntry.objects.filter(action="book").count() == 3
    with pytest.raises(ValidationError, match="at least one"):
        take(row, [first], coordinator)


def test_the_trail_of_the_unit_names_people_by_key_alone(coordinator) -> None:
    """That chain outlives every record."""
    make_chair()
    people = [due_person(f"QUIST{n}") for n in range(3)]
    row = proposed(coordinator)
    wanted = row.found["placed"][1]
    place = (wanted["chair_pk"], date.fromisoformat(wanted["on"]), wanted["slot"])
    proposals.change(
        proposal=row, version=row.version, actor=coordinator, at=NOW, out="QUIST0", fixed=("QUIST1", place)
    )
    proposals.make(key=row.pk, at=NOW)
    row.refresh_from_db()
    take(row, ["QUIST1"], coordinator)
    said = list(TrailEntry.objects.filter(patient_key=None, row_kind="booking.Proposal").order_by("number"))
    keys = dict(Patient.objects.values_list("patient_ref", "pk"))
    assert len(people) == 3
    assert "QUIST" not in str([(one.before, one.after, one.why) for one in said])
    assert said[-1].after["left_out"] == [keys["QUIST0"]]
    assert said[-1].after["kept_places"].keys() == said[-1].after["accepted"].keys() == {str(keys["QUIST1"])}


def test_a_place_taken_since_is_named_and_nothing_is_half_written(coordinator) -> None:
    chair = make_chair()
    for n in range(3):
        due_person(f"R{n}")
    row = proposed(coordinator)
    taken = row.found["placed"][-1]
    other = make_patient("OTHER", family_name="Sallow")
    make_booking(other, chair, on=TODAY.fromisoformat(taken["on"]))
    page = read_proposal(row, NOW)
    assert "a booking" in page.changed
    with pytest.raises(ValidationError) as refused:
        take(row, refs(row), coordinator)
    assert "Nothing was booked." in refused.value.messages
    assert any("taken a moment ago" in words for words in refused.value.messages)
    assert Booking.objects.count() == Occupied.objects.count() == 1
    row.refresh_from_db()
    assert row.accepted == {}


def swapped(coordinator):
    """Quist and Mbaru on the day that is safe for the other only, in the one chair; a proposal lets them change."""
    chair = make_chair()
    quist = due_person("QUIST", best=TODAY + 7 * DAY, latest=TODAY + 9 * DAY)
    mbaru = due_person("MBARU", best=TODAY + 7 * DAY, latest=TODAY + 7 * DAY)
    make_booking(quist, chair, on=TODAY + 7 * DAY)
    make_booking(mbaru, chair, on=TODAY + 8 * DAY, late_reason="none free")
    for person in (quist, mbaru):
        make_away(person, since=TODAY + 9 * DAY, until=TODAY + 60 * DAY)
    row = proposed(coordinator, moves="unconfirmed", weeks=2)
    assert {one["patient_ref"]: one["old"]["on"] for one in row.found["placed"]} == {
        "QUIST": f"{TODAY + 7 * DAY}", "MBARU": f"{TODAY + 8 * DAY}",
    }  # fmt: skip
    return row


def test_two_who_change_places_are_accepted_together(coordinator) -> None:
    row = swapped(coordinator)
    count, _ = take(row, ["QUIST", "MBARU"], coordinator)
    assert count == 2
    standing = Booking.objects.standing().values_list("patient__patient_ref", "on")
    assert dict(standing) == {"QUIST": TODAY + 8 * DAY, "MBARU": TODAY + 7 * DAY}
    assert Occupied.objects.count() == 2


def test_one_of_two_who_change_places_is_not_accepted_without_the_other_and_it_is_said_why(coordinator) -> None:
    row = swapped(coordinator)
    before, entries = list(Booking.objects.values().order_by("pk")), TrailEntry.objects.count()
    with pytest.raises(ValidationError) as refused:
        take(row, ["MBARU"], coordinator)
    mbaru, quist = (Patient.objects.get(patient_ref=ref).shown_name for ref in ("MBARU", "QUIST"))
    assert refused.value.messages == [
        "Nothing was booked.",
        f"{mbaru} takes the place of {quist} (Mon 8 Jun 2026, 09:00, Chair 1): accept {quist} with them, or neither.",
    ]
    assert list(Booking.objects.values().order_by("pk")) == before
    assert TrailEntry.objects.count() == entries


def test_where_the_staff_of_a_day_hold_it_names_who_would_leave_that_day(coordinator) -> None:
    row = swapped(coordinator)
    other = make_chair()
    StaffLimit.objects.create(site=coordinator.site, since=TODAY, most=1)
    for one in row.found["placed"]:
        one["chair_pk"] = other.pk if one["patient_ref"] == "MBARU" else one["chair_pk"]
    row.save()
    with pytest.raises(ValidationError) as refused:
        take(row, ["MBARU"], coordinator)
    quist = Patient.objects.get(patient_ref="QUIST").shown_name
    assert "Staff can run 1 exchange at once" in refused.value.messages[1]
    assert refused.value.messages[1].endswith(f"By this proposal {quist} would leave that day: accept them too.")


def test_one_that_nobody_makes_any_more_is_offered_to_be_made_again_after_ten_minutes(coordinator) -> None:
    make_chair()
    due_person("R1")
    row = proposals.ask(site=coordinator.site, first=TODAY, weeks=4, moves="nobody", actor=coordinator, at=NOW)
    there, client = reverse("booking:proposal", args=[row.pk]), client_of(coordinator)
    waiting = client.get(there).text
    assert "it should be here by 10:10" in waiting
    assert "has stopped" not in waiting
    late = NOW + timedelta(minutes=11)
    with time_machine.travel(late, tick=True):
        said = client.get(there).text
        assert "It was asked for 1 Jun, 10:00 and should have been here by 10:10" in said
        assert "every 3s" not in said
        form = {"receipt": "e" * 20, "version": row.version, "act": "again"}
        client.post(reverse("booking:change_proposal", args=[row.pk]), form)
        assert "it should be here by 10:21" in client.get(there).text
    assert refs(made(row)) == ["R1"]


def test_somebody_booked_meanwhile_is_not_booked_twice(coordinator) -> None:
    chair, second = make_chair(), make_chair()
    person = due_person("R1")
    row = proposed(coordinator)
    later = NOW + timedelta(minutes=5)
    booking.book(patient=person, chair_pk=second.pk, on=TODAY + 8 * DAY, slot=1, actor=coordinator, at=later)
    with pytest.raises(ValidationError, match="booked meanwhile"):
        take(row, ["R1"], coordinator, at=later)
    assert Booking.objects.count() == 1
    assert chair.pk != second.pk


def test_a_forecast_or_the_staff_changed_since_is_said(coordinator) -> None:
    make_chair()
    person = due_person("R1")
    row = proposed(coordinator)
    assert read_proposal(row, NOW).changed == ()
    StaffLimit.objects.create(site=coordinator.site, since=TODAY, most=1)
    assert read_proposal(row, NOW).changed == ("chairs, staff or open days",)
    person.suggestion.data_version += 1
    person.suggestion.save()
    assert len(read_proposal(row, NOW).changed) == 2


def test_bookings_stay_unless_asked_and_a_move_frees_the_only_safe_day(coordinator) -> None:
    """One chair; Quist could come on either day and holds the only one on which Mbaru is safe."""
    chair = make_chair()
    quist = due_person("QUIST", best=TODAY + 7 * DAY, latest=TODAY + 9 * DAY)
    due_person("MBARU", best=TODAY + 7 * DAY, latest=TODAY + 7 * DAY)
    held = make_booking(quist, chair, on=TODAY + 7 * DAY)
    stays = proposed(coordinator)
    assert refs(stays) == ["MBARU"]
    assert stays.found["placed"][0]["late"]
    moving = proposed(coordinator, moves="unconfirmed")
    by_ref = {one["patient_ref"]: one for one in moving.found["placed"]}
    assert by_ref["MBARU"]["on"] == (TODAY + 7 * DAY).isoformat()
    assert by_ref["QUIST"]["old"]["pk"] == held.pk
    assert not by_ref["QUIST"]["late"]
    take(moving, list(by_ref), coordinator)
    held.refresh_from_db()
    assert (held.state, held.ended_by) == ("moved", "unit")
    assert held.moved_to.on <= TODAY + 9 * DAY


def test_a_confirmed_booking_moves_only_when_anybody_may(coordinator) -> None:
    chair = make_chair()
    quist = due_person("QUIST", latest=TODAY + 9 * DAY)
    due_person("MBARU", latest=TODAY + 7 * DAY)
    make_booking(quist, chair, on=TODAY + 7 * DAY, state=BookingState.CONFIRMED)
    assert refs(proposed(coordinator, moves="unconfirmed")) == ["MBARU"]
    assert set(refs(proposed(coordinator, moves="anybody"))) == {"MBARU", "QUIST"}


def test_a_place_that_cannot_be_kept_is_replaced_and_stands_until_the_new_one_is_accepted(coordinator) -> None:
    """The unit closes on the day of a confirmed booking; nobody else is to be moved."""
    chair = make_chair()
    quist = due_person("QUIST", latest=TODAY + 14 * DAY)
    held = make_booking(quist, chair, on=TODAY + 8 * DAY, state=BookingState.CONFIRMED)
    assert refs(proposed(coordinator)) == []
    ClosedDay.objects.create(site=coordinator.site, on=held.on, words="moving the beds")
    row = proposed(coordinator)
    (one,) = row.found["placed"]
    assert (one["patient_ref"], one["old"]["pk"], one["late"]) == ("QUIST", held.pk, False)
    page = client_of(coordinator).get(reverse("booking:proposal", args=[row.pk])).text
    assert "cannot be kept: the unit is closed (moving the beds)</b>" in page
    held.refresh_from_db()
    assert held.state == "confirmed"
    take(row, ["QUIST"], coordinator)
    held.refresh_from_db()
    assert held.state == "moved"
    assert held.moved_to.on.isoformat() == one["on"] != held.on.isoformat()
    assert refs(proposed(coordinator)) == []


def test_a_place_that_cannot_be_kept_and_has_no_other_is_named_as_left(coordinator) -> None:
    chair = make_chair()
    quist = due_person("QUIST")
    make_booking(quist, chair, on=TODAY + 8 * DAY)
    make_away(quist, since=TODAY, until=TODAY + 60 * DAY, words="travel")
    (left,) = proposed(coordinator).found["left"]
    assert left["reason"].startswith(
        "Booked on Tue 9 Jun, which cannot be kept: they cannot come until Fri 31 Jul 2026: travel. No free place"
    )


def test_people_left_out_and_places_kept_hold_when_it_is_solved_again(coordinator) -> None:
    chair = make_chair()
    for n in range(3):
        due_person(f"R{n}")
    row = proposed(coordinator)
    proposals.change(proposal=row, version=row.version, actor=coordinator, at=NOW, out="R0")
    assert row.state == "asked"
    row = made(row)
    assert set(refs(row)) == {"R1", "R2"}
    wanted = (chair.pk, TODAY + 9 * DAY, 1)
    proposals.change(proposal=row, version=row.version, actor=coordinator, at=NOW, fixed=("R1", wanted))
    row = made(row)
    kept = next(one for one in row.found["placed"] if one["patient_ref"] == "R1")
    assert (kept["on"], kept["fixed"]) == ((TODAY + 9 * DAY).isoformat(), True)
    proposals.change(proposal=row, version=row.version, actor=coordinator, at=NOW, back="R0", loose="R1")
    assert (row.changed["out"], row.changed["fixed"]) == ([], {})


def test_a_late_place_needs_its_reason(coordinator) -> None:
    make_chair()
    due_person("R1", best=TODAY - 3 * DAY, latest=TODAY - DAY)
    row = proposed(coordinator)
    with pytest.raises(ValidationError, match="say why"):
        take(row, ["R1"], coordinator)
    take(row, ["R1"], coordinator, late="First free chair.")
    assert Booking.objects.get().late_reason == "First free chair."


def test_who_is_left_is_told_the_limit_and_what_one_more_start_would_buy(coordinator) -> None:
    make_chair()
    StaffLimit.objects.create(site=coordinator.site, since=TODAY, most=0)
    StaffLimit.objects.filter(most=0).update(words="nurses away")
    due_person("R1")
    row = proposed(coordinator, weeks=2)
    assert row.found["left"][0]["reason"] == (
        "Chairs are free for long enough on days that are of use to them, but staff cannot run one exchange more then."
    )
    assert row.found["more"]
    assert row.found["more"][0].startswith("Staff for one more exchange at once, on ")
    assert row.found["more"][0].endswith(", would place 1 of them.")


def test_closed_days_in_the_window_of_who_is_left_are_named(coordinator) -> None:
    """Their window is Monday the 8th to Wednesday the 10th; the one chair is used otherwise on every other day."""
    make_chair()
    due_person("R1")
    for day, why in ((7, "training"), (8, "moving the beds")):
        ClosedDay.objects.create(site=coordinator.site, on=TODAY + day * DAY, words=why)
    StaffLimit.objects.create(site=coordinator.site, since=TODAY, most=0)
    (left,) = proposed(coordinator, weeks=3).found["left"]
    assert left["reason"].endswith(
        "then. Closed in their window: Mon 8 Jun (training) and Tue 9 Jun (moving the beds)."
    )


def test_who_is_left_is_told_whether_chairs_or_staff_hold(coordinator) -> None:
    """Two people with one useful day; first one chair, then two chairs and one nurse."""
    make_chair()
    for ref in ("R1", "R2"):
        make_away(due_person(ref), since=TODAY + 8 * DAY, until=TODAY + 60 * DAY)
    (left,) = proposed(coordinator).found["left"]
    assert "on Mon 8 Jun, go to others; the limit is the chairs that are free." in left["reason"]
    make_chair()
    StaffLimit.objects.create(site=coordinator.site, since=TODAY, most=1)
    row = proposed(coordinator)
    assert "the limit is the staff at these times." in row.found["left"][0]["reason"]
    assert row.found["more"][0] == "Staff for one more exchange at once, on Mon 8 Jun, would place 1 of them."


def test_others_are_said_to_be_more_over_only_where_each_of_them_is(coordinator) -> None:
    """One place, on Monday the 8th: the last safe day of one is two days earlier than that of the other."""
    make_chair()
    for ref, latest in (("R1", TODAY + 9 * DAY), ("R2", TODAY + 7 * DAY)):
        make_away(due_person(ref, latest=latest), since=TODAY + 8 * DAY, until=TODAY + 60 * DAY)
    row = proposed(coordinator)
    assert refs(row) == ["R2"]
    assert "go to others, each of whom would be more over by waiting; the limit is" in row.found["left"][0]["reason"]


def test_who_is_late_anyway_is_told_that_an_earlier_place_goes_to_somebody_who_would_be_late(coordinator) -> None:
    make_chair()
    due_person("QUIST", latest=TODAY + 4 * DAY)
    due_person("MBARU", latest=TODAY + 7 * DAY)
    reasons = {one["patient_ref"]: one["reason"] for one in proposed(coordinator).found["placed"]}
    said = "An earlier place, on Mon 8 Jun, goes to somebody who would be late on this day."
    assert reasons["QUIST"].endswith(said)
    assert said not in reasons["MBARU"]


def test_a_place_to_keep_that_is_gone_is_said_and_whoever_is_booked_stays_booked(coordinator) -> None:
    chair = make_chair()
    quist = due_person("QUIST", latest=TODAY + 14 * DAY)
    make_booking(quist, chair, on=TODAY + 8 * DAY)
    row = proposed(coordinator, moves="unconfirmed")
    wanted = (chair.pk, TODAY + 9 * DAY, 1)
    proposals.change(proposal=row, version=row.version, actor=coordinator, at=NOW, fixed=("QUIST", wanted))
    make_booking(make_patient("OTHER"), chair, on=TODAY + 9 * DAY)
    (left,) = made(row).found["left"]
    assert left["reason"] == (
        "The place they were to keep is not free for them any more. They stay booked on Tue 9 Jun."
    )


def test_days_away_are_named_as_their_own_limit(coordinator) -> None:
    make_chair()
    person = due_person("R1")
    make_away(person, since=TODAY, until=TODAY + 60 * DAY, words="travel")
    row = proposed(coordinator, weeks=2)
    assert "They cannot come on" in row.found["left"][0]["reason"]


def test_asking_for_past_days_or_too_many_weeks_is_refused(coordinator) -> None:
    ask = {"site": coordinator.site, "moves": "nobody", "actor": coordinator, "at": NOW}
    with pytest.raises(ValidationError, match="is past; allowed is from today"):
        proposals.ask(first=TODAY - DAY, weeks=4, **ask)
    with pytest.raises(ValidationError, match="allowed is 1 to 26"):
        proposals.ask(first=TODAY, weeks=27, **ask)
    assert not Proposal.objects.exists()


def test_the_pages_ask_show_change_accept_and_drop(coordinator, django_capture_on_commit_callbacks) -> None:
    make_chair()
    make_chair()
    for n in range(2):
        due_person(f"R{n}")
    client = client_of(coordinator)
    assert client.get(reverse("booking:proposals")).status_code == 200
    bad = client.post(reverse("booking:proposals"), {"first": "2026-05-01", "weeks": 99, "moves": "nobody"})
    assert "Allowed is 1 to 26 weeks." in bad.text
    with django_capture_on_commit_callbacks(execute=True):
        sent = {"first": TODAY.isoformat(), "weeks": 4, "moves": "nobody", "receipt": "a" * 20}
        answer = client.post(reverse("booking:proposals"), sent)
    row = Proposal.objects.get()
    page = client.get(answer["Location"]).text
    assert "2 places" in page
    assert "Proven best." in page
    assert "Nothing is booked until you accept." in page
    assert "Another place for" in client.get(f"{answer['Location']}?other=R1&by=person").text
    with django_capture_on_commit_callbacks(execute=True):
        changed = {"receipt": "b" * 20, "version": row.version, "act": "out:R0"}
        client.post(reverse("booking:change_proposal", args=[row.pk]), changed)
    row.refresh_from_db()
    assert refs(row) == ["R1"]
    taken = {"receipt": "c" * 20, "version": row.version, "take": ["R1"]}
    assert client.post(reverse("booking:accept_proposal", args=[row.pk]), taken).status_code == 302
    assert Booking.objects.get().patient.patient_ref == "R1"
    client.post(reverse("booking:accept_proposal", args=[row.pk]), taken)
    assert Booking.objects.count() == 1, "a double request books once"
    row.refresh_from_db()
    client.post(
        reverse("booking:change_proposal", args=[row.pk]), {"receipt": "d" * 20, "version": row.version, "act": "drop"}
    )
    row.refresh_from_db()
    assert row.state == "dropped"


@pytest.mark.parametrize("people", [1, 3])
def test_the_page_takes_as_many_queries_for_one_as_for_three(coordinator, people, django_assert_max_num_queries):
    make_chair()
    for n in range(people):
        due_person(f"R{n}")
    row = proposed(coordinator)
    with django_assert_max_num_queries(29):
        read_proposal(row, NOW)


def test_another_units_proposal_is_not_there(coordinator) -> None:
    make_chair()
    due_person("R1")
    row = proposed(coordinator)

    stranger = make_user(username="stranger", role="coordinator", site=make_site("other"))
    assert client_of(stranger).get(reverse("booking:proposal", args=[row.pk])).status_code == 404
