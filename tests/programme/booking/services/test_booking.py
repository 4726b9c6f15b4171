"""Booking, moving and ending: what is written, what is refused and what the sentence says is allowed."""

from datetime import date, time, timedelta

import pytest
from django.core.exceptions import ValidationError

from programme.booking.models import (
    Away,
    Booking,
    BookingState,
    ClosedDay,
    Occupied,
    OtherUse,
    Slot,
    StaffLimit,
    Wishes,
)
from programme.booking.numeric.reasons import Reasons
from programme.booking.services import booking as bookings
from programme.booking.services import moves
from programme.core import changes, trail
from programme.core.models import EditedMeanwhile, TrailEntry
from tests import factories
from tests.factories import (
    NOW,
    TODAY,
    make_booking,
    make_chair,
    make_open_week,
    make_patient,
    make_planned_session,
    make_standing,
)

pytestmark = pytest.mark.django_db
MONDAY = date(2026, 6, 8)


@pytest.fixture
def fit(site):
    make_open_week(site)
    return factories.make_fit_in_force(site)


@pytest.fixture
def chair(fit, site):
    return make_chair(site)


@pytest.fixture
def ada(fit, site):
    patient = make_patient("R1", site=site, family_name="Larkspur")
    factories.make_exchange_session(patient)
    make_standing(patient, fit)
    return patient


def book(patient, chair, by, *, on=MONDAY, **reasons):
    given = {"reasons": Reasons(**reasons)} if reasons else {}
    return bookings.book(patient=patient, chair_pk=chair.pk, on=on, slot=1, actor=by, at=NOW, **given)


def refused(patient, chair, by, **more):
    with pytest.raises(ValidationError) as caught:
        book(patient, chair, by, **more)
    assert not Booking.objects.filter(state__in=["booked", "confirmed"], patient=patient).exists()
    assert TrailEntry.objects.count() == 0
    return " ".join(caught.value.messages)


def test_a_booking_keeps_what_it_was_booked_on_and_holds_the_chair(ada, chair, coordinator):
    made = book(ada, chair, coordinator)
    assert (made.starts, made.ends, made.state) == (time(9), time(16), "booked")
    assert made.chance_over == 0.08  # the eighth day of the stored chances
    assert made.latest_safe == date(2026, 6, 10)
    assert list(Occupied.objects.values_list("chair", "on", "slot")) == [(chair.pk, MONDAY, 1)]
    entry = TrailEntry.objects.get()
    assert (entry.action, entry.patient_key, entry.actor) == ("book", ada.pk, coordinator)
    assert trail.faults(TrailEntry.objects.all()) == []


def test_booking_changes_nothing_clinical(ada, chair, coordinator):
    before = ada.data_version
    book(ada, chair, coordinator)
    ada.refresh_from_db()
    assert ada.data_version == before


def test_a_long_session_has_the_chair_as_long_as_it_takes(ada, fit, site, coordinator):
    """Five units of 45 min and an hour of rest are 285 min: 09:00 to 13:45 in a slot that ends at noon."""
    made = book(ada, make_chair(site, ends=time(12)), coordinator)
    assert made.ends == time(13, 45)


def test_after_the_last_safe_day_a_reason_is_needed(ada, chair, coordinator):
    said = refused(ada, chair, coordinator, on=date(2026, 6, 11))
    assert said == "Thu 11 Jun 2026 is after the last safe day, Wed 10 Jun 2026: say why."
    made = book(ada, chair, coordinator, on=date(2026, 6, 11), late="Examinations until then.")
    assert made.late_reason == "Examinations until then."


def test_far_too_late_a_reason_is_not_enough(ada, chair, coordinator):
    """More than 14 days after Wednesday 10 June; the fourteenth, the 24th, needs the reason only."""
    far, why = date(2026, 6, 25), "Examinations until then."
    said = refused(ada, chair, coordinator, on=far, late=why)
    assert said.startswith("Thu 25 Jun 2026 is far too late: 15 days after the last safe day")
    assert "where the consultant knows: tick that" in said
    assert "say why" in refused(ada, chair, coordinator, on=far, far_late_known=True)
    made = book(ada, chair, coordinator, on=far, late=why, far_late_known=True)
    assert (made.on, made.late_reason) == (far, why)
    assert TrailEntry.objects.get().why == f"Far too late, and the consultant knows. {why}"


def test_fourteen_days_late_needs_the_reason_only(ada, chair, coordinator):
    assert book(ada, chair, coordinator, on=date(2026, 6, 24), late="x").late_reason == "x"


def test_nobody_is_booked_further_ahead_than_the_site_allows(ada, chair, coordinator, site):
    """The setting book_ahead_days is 182 unless the site says otherwise: from Monday 1 June to Monday 30 November."""
    known = {"late": "x", "far_late_known": True}
    said = refused(ada, chair, coordinator, on=date(2026, 12, 1), **known)
    assert said == "Tue 1 Dec 2026 is too far ahead; allowed is until Mon 30 Nov 2026, 182 days from today."
    assert "too far ahead" in refused(ada, chair, coordinator, on=date(2028, 6, 5), **known)
    assert book(ada, chair, coordinator, on=date(2026, 11, 30), **known).on == date(2026, 11, 30)


def test_a_reason_is_not_kept_where_none_is_needed(ada, chair, coordinator):
    assert book(ada, chair, coordinator, late="typed for nothing").late_reason == ""


@pytest.mark.parametrize(
    ("on", "words"),
    [
        (TODAY - timedelta(3), "Fri 29 May 2026 is in the past; allowed is from today, Mon 1 Jun 2026, on."),
        (date(2026, 6, 13), "The unit is closed on Sat 13 Jun 2026 (not open on Saturdays)."),
        (date(2026, 8, 31), "The unit is closed on Mon 31 Aug 2026 (bank holiday: "),
        (TODAY, "No crossmatch sample could be taken for Mon 1 Jun 2026, 09:00"),
    ],
)
def test_a_day_that_cannot_be_is_refused(ada, chair, coordinator, on, words):
    now = NOW.replace(hour=5)  # six in the morning at the unit
    with pytest.raises(ValidationError) as caught:
        bookings.book(patient=ada, chair_pk=chair.pk, on=on, slot=1, actor=coordinator, at=now, reasons=Reasons("x"))
    assert words in " ".join(caught.value.messages)
    assert Booking.objects.count() == 0


def test_a_start_that_has_passed_today_is_refused(ada, chair, coordinator):
    """It is ten at the unit: NOW is nine in UTC, and London has summer time."""
    assert "is in the past; allowed is any start from now on" in refused(ada, chair, coordinator, on=TODAY)


def test_a_closed_day_says_why(ada, chair, coordinator, site):
    ClosedDay.objects.create(site=site, on=MONDAY, words="moving the beds")
    assert "closed on Mon 8 Jun 2026 (moving the beds)" in refused(ada, chair, coordinator)


def test_a_taken_place_says_what_is_free(ada, chair, coordinator, site, fit):
    make_chair(site, name="Window bay")
    make_booking(make_patient("R2", site=site), chair)
    said = refused(ada, chair, coordinator)
    assert said == "This place was taken a moment ago. Free that day: Window bay 09:00."


def test_a_place_taken_long_ago_says_since_when_and_names_nobody(ada, chair, coordinator, site):
    make_booking(
        make_patient("R2", site=site, family_name="Pemberwell"), chair, made_at=NOW - timedelta(days=3, minutes=30)
    )
    assert refused(ada, chair, coordinator) == (
        f"{chair.name} at 09:00 on Mon 8 Jun 2026 has been booked for somebody else since Fri 29 May 2026, 09:30. "
        "Nothing is free that day; choose another."
    )


def test_a_place_that_is_their_own_is_said_to_be(ada, chair, coordinator):
    book(ada, chair, coordinator)
    with pytest.raises(ValidationError, match="They have Chair 1 at 09:00 on Mon 8 Jun 2026 already"):
        book(ada, chair, coordinator)


def test_another_use_and_the_staff_of_the_day_are_named(ada, chair, coordinator, site):
    OtherUse.objects.create(chair=chair, weekday=0, since=date(2026, 1, 1), words="iron infusions")
    assert "used for something else on Mon 8 Jun 2026: iron infusions." in refused(ada, chair, coordinator)
    OtherUse.objects.update(starts=time(8), ends=time(10))
    said = refused(ada, chair, coordinator)
    assert "used for something else on Mon 8 Jun 2026: 08:00 to 10:00, iron infusions." in said
    other = make_chair(site)
    make_booking(make_patient("R2", site=site), make_chair(site))
    StaffLimit.objects.create(site=site, weekday=None, since=MONDAY, until=MONDAY, most=1, words="two nurses away")
    said = refused(ada, other, coordinator)
    assert (
        "Staff can run 1 exchange at once on Mon 8 Jun 2026 (two nurses away); from 09:00 to 16:00 they have 1 already."
        in said
    )


def test_somebody_who_needs_two_nurses_counts_for_two(ada, chair, coordinator, site):
    Wishes.objects.create(patient=ada, needs_two_nurses=True)
    StaffLimit.objects.create(site=site, since=date(2026, 1, 1), most=2)
    make_booking(make_patient("R2", site=site), make_chair(site))
    said = refused(ada, chair, coordinator)
    assert "Staff can run 2 exchanges at once" in said
    assert "they have 1 already. This one counts for two." in said


def test_staff_are_counted_at_once_and_one_that_begins_as_another_ends_does_not_meet_it(ada, coordinator, site):
    """One nurse: a morning at one chair leaves an afternoon at another, and not a day."""
    morning = make_chair(site, starts=time(9), ends=time(13))
    day, afternoon = make_chair(site), make_chair(site, starts=time(13), ends=time(17))
    StaffLimit.objects.create(site=site, since=date(2026, 1, 1), most=1)
    make_booking(make_patient("R2", site=site), morning)
    assert "from 09:00 to 16:00 they have 1 already" in refused(ada, day, coordinator)
    assert book(ada, afternoon, coordinator).starts == time(13)


def test_with_no_staff_it_is_said_that_no_exchange_can_be_run(ada, chair, coordinator, site):
    StaffLimit.objects.create(site=site, since=MONDAY, until=MONDAY, most=0)
    assert "Staff can run no exchange on Mon 8 Jun 2026." in refused(ada, chair, coordinator)


def test_days_and_times_that_a_person_cannot_keep_are_refused(ada, chair, coordinator):
    Away.objects.create(patient=ada, since=MONDAY, until=MONDAY, words="school journey")
    assert "cannot come on Mon 8 Jun 2026 (school journey)" in refused(ada, chair, coordinator)
    Wishes.objects.create(patient=ada, latest_end=time(15))
    assert "must be done by 15:00" in refused(ada, chair, coordinator, on=date(2026, 6, 9))


def test_one_booking_a_person_and_day(ada, chair, coordinator, site):
    book(ada, chair, coordinator)
    with pytest.raises(ValidationError, match="booked on Mon 8 Jun 2026 already"):
        book(ada, make_chair(site), coordinator)


@pytest.mark.parametrize(("on", "where"), [(date(2026, 6, 5), "3 days before"), (date(2026, 6, 19), "11 days after")])
def test_a_second_place_within_the_shortest_interval_needs_a_reason(ada, chair, coordinator, on, where):
    """Two exchanges within 14 days, the shortest interval of a unit that has set none, are seldom meant."""
    first = book(ada, chair, coordinator)
    bookings.confirm(booking=first, version=first.version, actor=coordinator, at=NOW)
    known = {"on": on, "late": "x"}
    with pytest.raises(ValidationError) as error:
        book(ada, chair, coordinator, **known, second=" ")
    (said,) = error.value.message_dict["second_reason"]
    assert f"is {where} Mon 8 Jun 2026, for which they are booked already; the shortest interval is 14 days" in said
    assert "Allowed is to move that booking" in said
    assert Booking.objects.count() == 1
    book(ada, chair, coordinator, **known, second="end target out of reach in one session")
    entry = TrailEntry.objects.filter(action="book").last()
    assert entry.why.endswith("A second exchange: end target out of reach in one session")


def test_a_second_place_after_the_shortest_interval_needs_none(ada, chair, coordinator):
    book(ada, chair, coordinator)
    assert book(ada, chair, coordinator, on=date(2026, 6, 22), late="x").on == date(2026, 6, 22)


def test_a_moved_place_is_not_judged_by_itself_but_by_the_others(ada, chair, coordinator):
    book(ada, chair, coordinator, on=date(2026, 6, 22), late="x")
    old = book(ada, chair, coordinator)
    asked = {"booking": old, "version": old.version, "chair_pk": chair.pk, "slot": 1, "ended_by": "person"}
    given = {**asked, "reason": "asked", "actor": coordinator, "at": NOW}
    with pytest.raises(ValidationError, match="13 days before Mon 22 Jun 2026"):
        moves.move(on=date(2026, 6, 9), **given)
    new, _ = moves.move(on=date(2026, 6, 5), **given)
    assert new.on == date(2026, 6, 5)


def test_a_locked_person_gets_no_place(chair, coordinator, site, fit):
    patient = make_patient("R2", site=site)
    make_standing(patient, fit, reason="possible delayed haemolysis", forecast={"locked": {"reason": "dark urine"}})
    assert "haemolysis lock holds (dark urine)" in refused(patient, chair, coordinator)


def test_a_paused_person_gets_no_place(ada, chair, coordinator):
    ada.standing = "paused"
    ada.save()
    assert "not on the programme now" in refused(ada, chair, coordinator)


def test_a_chair_of_another_unit_is_unknown(ada, coordinator, other_site):
    assert "There is no such chair" in refused(ada, make_chair(other_site), coordinator)


# Moves


def test_a_move_frees_one_place_and_takes_the_other(ada, chair, coordinator, site):
    old = book(ada, chair, coordinator)
    new, _ = moves.move(
        booking=old, version=old.version, chair_pk=chair.pk, on=date(2026, 6, 9), slot=1, ended_by="person",
        reason="An interview.", actor=coordinator, at=NOW,
    )  # fmt: skip
    old.refresh_from_db()
    assert (old.state, old.ended_by, old.ended_reason) == ("moved", "person", "An interview.")
    assert new.moved_from == old
    assert list(Occupied.objects.values_list("booking", "on")) == [(new.pk, date(2026, 6, 9))]


def test_a_move_to_another_chair_of_the_same_day(ada, chair, coordinator, site):
    old, other = book(ada, chair, coordinator), make_chair(site)
    StaffLimit.objects.create(site=site, since=date(2026, 1, 1), most=1)
    new, _ = moves.move(
        booking=old, version=old.version, chair_pk=other.pk, on=MONDAY, slot=1, ended_by="unit", reason="A broken pump",
        actor=coordinator, at=NOW,
    )  # fmt: skip
    assert new.chair == other


def test_a_move_that_cannot_be_leaves_the_booking_as_it_was(ada, chair, coordinator, site):
    old = book(ada, chair, coordinator)
    with pytest.raises(ValidationError, match="closed"):
        moves.move(
            booking=old, version=old.version, chair_pk=chair.pk, on=date(2026, 6, 13), slot=1, ended_by="unit",
            reason="A broken pump", actor=coordinator, at=NOW,
        )  # fmt: skip
    old.refresh_from_db()
    assert (old.state, Occupied.objects.get().booking_id) == ("booked", old.pk)
    assert TrailEntry.objects.count() == 1


def test_what_hangs_on_a_booking_is_told(ada, chair, coordinator, monkeypatch):
    heard = []

    def follower(ended, new, actor, at):
        heard.append((ended.pk, new and new.pk))
        return "Its units go with it."

    monkeypatch.setattr(bookings, "_followers", [])
    bookings.follow(follower)
    bookings.follow(follower)
    old = book(ada, chair, coordinator)
    new, said = moves.move(
        booking=old, version=old.version, chair_pk=chair.pk, on=date(2026, 6, 9), slot=1, ended_by="person",
        reason="An interview.", actor=coordinator, at=NOW,
    )  # fmt: skip
    moves.cancel(booking=new, version=new.version, ended_by="unit", reason="No staff", actor=coordinator, at=NOW)
    assert said == "Its units go with it."
    assert heard == [(old.pk, new.pk), (new.pk, None)]


def test_cancelling_needs_a_reason_and_who_asked(ada, chair, coordinator):
    made = book(ada, chair, coordinator)
    ask = {"booking": made, "version": made.version, "actor": coordinator, "at": NOW}
    with pytest.raises(ValidationError, match="Say why"):
        moves.cancel(ended_by="unit", reason=" ", **ask)
    with pytest.raises(ValidationError, match="the unit or the person"):
        moves.cancel(ended_by="", reason="No staff", **ask)
    moves.cancel(ended_by="unit", reason="No staff", **ask)
    assert Booking.objects.get().state == "cancelled"
    assert Occupied.objects.count() == 0


@pytest.mark.parametrize("end", ["missed", "cancelled"])
def test_without_the_place_the_window_is_reckoned_again_from_today(
    ada, chair, coordinator, end, monkeypatch, django_capture_on_commit_callbacks
):
    told = []
    monkeypatch.setattr(changes, "_subscribers", [lambda keys, at: told.append((keys, at))])
    made = make_booking(ada, chair, on=TODAY)
    ask = {"booking": made, "version": made.version, "actor": coordinator, "at": NOW}
    with django_capture_on_commit_callbacks(execute=True):
        if end == "missed":
            moves.did_not_come(**ask)
        else:
            moves.cancel(ended_by="unit", reason="No staff", **ask)
    assert told == [((ada.pk,), NOW)]


def test_did_not_come_and_came_after_all(ada, chair, coordinator):
    made = make_booking(ada, chair, on=TODAY)
    moves.did_not_come(booking=made, version=made.version, actor=coordinator, at=NOW)
    assert (Booking.objects.get().state, Occupied.objects.count()) == ("missed", 0)
    moves.came(booking=made, version=made.version, actor=coordinator, at=NOW)
    assert (Booking.objects.get().state, Occupied.objects.get().booking_id) == ("came", made.pk)
    with pytest.raises(ValidationError, match="Say why"):
        moves.did_not_come(booking=made, version=made.version, actor=coordinator, at=NOW)
    actions = list(TrailEntry.objects.order_by("number").values_list("action", flat=True))
    assert actions == ["did not come", "came"]


def came_after_all(booking, by):
    booking.refresh_from_db()
    moves.came(booking=booking, version=booking.version, actor=by, at=NOW)


@pytest.fixture
def missed(ada, fit, site, coordinator):
    """A long session booked for today, over both starts of a chair, that was taken as not kept."""
    chair = make_chair(site, starts=time(11), ends=time(12))
    Slot.objects.create(chair=chair, number=2, starts=time(14), ends=time(16), since=chair.since)
    made = book(ada, chair, coordinator, on=TODAY + timedelta(days=1))
    assert set(Occupied.objects.values_list("slot", flat=True)) == {1, 2}
    Booking.objects.update(on=TODAY)
    Occupied.objects.update(on=TODAY)
    made.refresh_from_db()
    moves.did_not_come(booking=made, version=made.version, actor=coordinator, at=NOW + timedelta(hours=1))
    assert Occupied.objects.count() == 0
    return made


def test_who_came_after_all_has_the_whole_place_again(missed, coordinator, site, fit):
    came_after_all(missed, coordinator)
    assert set(Occupied.objects.values_list("booking", "chair", "on", "slot")) == {
        (missed.pk, missed.chair_id, TODAY, slot) for slot in (1, 2)
    }
    other = make_patient("R2", site=site)
    make_standing(other, fit)
    with pytest.raises(ValidationError, match="taken a moment ago"):
        bookings.book(
            patient=other, chair_pk=missed.chair_id, on=TODAY, slot=2, actor=coordinator, at=NOW, reasons=Reasons("x")
        )


def test_a_place_that_somebody_else_has_meanwhile_is_not_had_again(missed, coordinator, site):
    other = make_booking(make_patient("R2", site=site), missed.chair, on=TODAY)
    before = TrailEntry.objects.count()
    with pytest.raises(ValidationError) as caught:
        came_after_all(missed, coordinator)
    assert caught.value.messages == [
        f"{missed.chair.name} at 11:00 on Mon 1 Jun 2026 has been given to somebody else meanwhile; nothing was "
        "recorded. Allowed is any other place that is free: book them anew there."
    ]
    missed.refresh_from_db()
    assert (missed.state, TrailEntry.objects.count()) == ("missed", before)
    assert Occupied.objects.get().booking == other


def test_a_day_ahead_can_neither_be_missed_nor_kept(ada, chair, coordinator):
    made = make_booking(ada, chair)
    ask = {"booking": made, "version": made.version, "actor": coordinator, "at": NOW}
    with pytest.raises(ValidationError, match="Mon 8 Jun 2026 has not come yet"):
        moves.came(**ask)
    with pytest.raises(ValidationError, match="not 09:00 on Mon 8 Jun 2026 yet"):
        moves.did_not_come(**ask)


def test_nobody_has_missed_a_visit_before_its_hour_and_who_rings_has_cancelled(ada, fit, site, coordinator):
    """NOW is ten at the unit, in summer time."""
    made = make_booking(ada, make_chair(site, starts=time(11)), on=TODAY)
    ask = {"booking": made, "version": made.version, "actor": coordinator}
    with pytest.raises(ValidationError) as caught:
        moves.did_not_come(at=NOW + timedelta(minutes=59), **ask)
    assert caught.value.messages == [
        "It is not 11:00 on Mon 1 Jun 2026 yet; 'did not come' is recorded from then on. Somebody who rings to say "
        "that they will not come has cancelled: cancel or move it for the person."
    ]
    assert (Booking.objects.get().state, Occupied.objects.count(), TrailEntry.objects.count()) == ("booked", 1, 0)
    moves.did_not_come(at=NOW + timedelta(minutes=60), **ask)
    assert Booking.objects.get().state == "missed"


@pytest.mark.parametrize("state", ["running", "finished", "closed", "abandoned"])
def test_who_was_exchanged_that_day_came(ada, chair, coordinator, state):
    made = make_booking(ada, chair, on=TODAY)
    make_planned_session(ada, on=TODAY, state=state, ended_reason="fever" if state == "abandoned" else "")
    with pytest.raises(ValidationError, match="begun on Mon 1 Jun 2026, so they came"):
        moves.did_not_come(booking=made, version=made.version, actor=coordinator, at=NOW)
    assert (Booking.objects.get().state, Occupied.objects.count()) == ("booked", 1)


@pytest.mark.parametrize("state", ["planned", "authorised"])
def test_a_session_planned_for_a_place_given_up_is_left_and_said(ada, chair, coordinator, state):
    made, planned = make_booking(ada, chair, on=TODAY), make_planned_session(ada, on=TODAY, state=state)
    ask = {"booking": made, "version": made.version, "actor": coordinator, "at": NOW}
    said = moves.cancel(ended_by="person", reason="Rang: a cold.", **ask)
    assert "An exchange is still planned for them on Mon 1 Jun 2026: cancel it on its plan" in said
    planned.refresh_from_db()
    assert planned.state == state


def test_confirming_is_for_a_booking_that_stands(ada, chair, coordinator):
    made = book(ada, chair, coordinator)
    bookings.confirm(booking=made, version=made.version, actor=coordinator, at=NOW)
    assert Booking.objects.get().state == "confirmed"
    with pytest.raises(ValidationError, match="that can be done while it is booked"):
        bookings.confirm(booking=made, version=made.version, actor=coordinator, at=NOW)


def test_what_somebody_else_changed_meanwhile_is_not_written_over(ada, chair, coordinator):
    made = book(ada, chair, coordinator)
    opened = made.version
    bookings.confirm(booking=made, version=opened, actor=coordinator, at=NOW)
    with pytest.raises(EditedMeanwhile):
        moves.cancel(booking=made, version=opened, ended_by="unit", reason="No staff", actor=coordinator, at=NOW)
    assert Booking.objects.get().state == BookingState.CONFIRMED
