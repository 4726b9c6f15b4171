"""Asking, agreeing and withdrawing: two people, every reason against it in one go, and nothing deleted."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError

from patients.models import Patient
from programme.core.models import EditedMeanwhile, Erasure, Role, TrailEntry
from programme.custody.queries.erasing import against, due, erasure_page
from programme.custody.services import asking
from programme.custody.services.erasing import erase
from programme.supply.models import BloodOrder, SuppliedUnit
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def consultant(site):
    return factories.make_user(role=Role.CONSULTANT, site=site)


@pytest.fixture
def administrator(site):
    return factories.make_user(role=Role.ADMINISTRATOR, site=site)


def make_gone(site, ref="R1", **fields):
    """Somebody who left so long ago that nothing keeps the record."""
    values = {"standing": "left", "standing_since": date(1990, 6, 4), "birth_date": date(1950, 1, 2), **fields}
    return factories.make_patient(ref, site=site, with_measure=False, **values)


def ask(patient, by, *, kind="time_over", reason="letter of 3 May", typed_ref=None, at=NOW):
    typed = patient.patient_ref if typed_ref is None else typed_ref
    return asking.ask(patient=patient, kind=kind, reason=reason, typed_ref=typed, actor=by, at=at)


def agree(row, by, *, typed_ref="R1", at=NOW, version=None):
    return asking.agree(erasure=row, version=version or row.version, typed_ref=typed_ref, actor=by, at=at)


def test_two_people_sign_and_the_wait_of_the_unit_runs(site, consultant, administrator):
    patient = make_gone(site)
    row = ask(patient, consultant)
    assert due(NOW + timedelta(days=400)) == []
    row = agree(row, administrator)
    assert row.due_at == NOW + timedelta(days=7)
    assert due(NOW + timedelta(days=7) - timedelta(seconds=1)) == []
    assert due(NOW + timedelta(days=7)) == [row]
    with pytest.raises(ValidationError, match="This is not due"):
        erase(erasure=row, actor=None, at=NOW + timedelta(days=6))
    said = TrailEntry.objects.filter(chain=f"patient:{patient.pk}").order_by("number")
    assert [(one.action, one.actor) for one in said] == [
        ("ask to erase person", consultant), ("agree to erase person", administrator)
    ]  # fmt: skip


@pytest.mark.parametrize("days", [0, 90])
def test_the_unit_decides_how_long_is_waited(site, consultant, administrator, days):
    factories.make_site_setting(site=site, name="erasure_wait_days", value=days)
    row = agree(ask(make_gone(site), consultant), administrator)
    assert row.due_at == NOW + timedelta(days=days)


def test_who_asked_cannot_agree_and_another_consultant_can(site, consultant):
    row = ask(make_gone(site), consultant)
    with pytest.raises(ValidationError, match="Who asked cannot agree"):
        agree(row, consultant)
    other = factories.make_user(role=Role.CONSULTANT, site=site, username="another")
    assert agree(row, other).agreed_by == other


def test_withdrawn_with_a_reason_it_can_be_asked_for_anew(site, consultant, administrator):
    patient = make_gone(site)
    row = agree(ask(patient, consultant), administrator)
    with pytest.raises(ValidationError, match="Say why"):
        asking.withdraw(erasure=row, version=row.version, why=" ", actor=administrator, at=NOW)
    with pytest.raises(EditedMeanwhile):
        asking.withdraw(erasure=row, version=1, why="not yet", actor=administrator, at=NOW)
    row = asking.withdraw(erasure=row, version=row.version, why="not yet", actor=administrator, at=NOW)
    assert due(NOW + timedelta(days=99)) == []
    with pytest.raises(ValidationError, match="This is not due"):
        erase(erasure=row, actor=None, at=NOW + timedelta(days=99))
    with pytest.raises(ValidationError, match="withdrawn meanwhile"):
        asking.withdraw(erasure=row, version=row.version, why="again", actor=consultant, at=NOW)
    assert Patient.objects.filter(pk=patient.pk).exists()
    assert ask(patient, consultant).is_open


def test_asked_twice_it_is_refused(site, consultant):
    patient = make_gone(site)
    ask(patient, consultant)
    with pytest.raises(ValidationError, match="asked already"):
        ask(patient, consultant)


@pytest.mark.parametrize("typed", ["", "R10", "R"])
def test_the_reference_is_typed_again_by_both(site, consultant, administrator, typed):
    patient = make_gone(site)
    make_gone(site, "R10")
    with pytest.raises(ValidationError, match="not the reference of this person"):
        ask(patient, consultant, typed_ref=typed)
    assert not Erasure.objects.exists()
    row = ask(patient, consultant)
    with pytest.raises(ValidationError, match="not the reference of this person"):
        agree(row, administrator, typed_ref=typed)


@pytest.mark.parametrize("words", ["Larkspur died", "R1 is a double", "born 2 Jan 1950", "1950-01-02", "Posy asked"])
def test_the_reason_names_nobody_for_it_stays(site, consultant, words):
    patient = make_gone(site, family_name="Larkspur", given_name="Posy")
    with pytest.raises(ValidationError, match="leave reference, name and birth date out"):
        ask(patient, consultant, reason=words)
    with pytest.raises(ValidationError, match="Say why"):
        ask(patient, consultant, reason="  ")


# What stands against it


def test_every_reason_against_it_is_said_in_one_go(site, consultant):
    patient = make_gone(site, standing="active")
    other = factories.make_patient("R2", site=site)
    factories.make_planned_session(patient)
    booking = factories.make_booking(patient, factories.make_chair(site), on=TODAY)
    order = BloodOrder.objects.create(
        patient=patient, booking=booking, number=1, site=site, for_at=NOW, units=1, needs={}, order_by=TODAY
    )
    SuppliedUnit.objects.create(
        order=order, donation_number="G101726000001", arrived_at=NOW, state="given", given_to=other
    )
    factories.make_inbox_item(patient)
    factories.make_result(patient, on=TODAY)
    with pytest.raises(ValidationError) as refused:
        ask(patient, consultant)
    said = " ".join(refused.value.messages)
    for words in (
        "They are on the programme", "must be kept until 1 Jun 2034: 8 years after the last contact",
        "A session is not ended", "A place is booked", "An order for blood is open", "waits in the inbox",
        "was given to somebody else",
    ):  # fmt: skip
        assert words in said, words
    assert not Erasure.objects.exists()


def test_red_cells_keep_a_record_whatever_the_ground(site):
    """Directive 2002/98/EC, article 14(3), from memory: the way of each donation is kept for thirty years."""
    patient = make_gone(site)
    assert against(patient, "time_over", NOW) == ()
    factories.make_exchange_session(patient, on=date(1996, 6, 2))
    for kind in ("time_over", "own_wish"):
        [words] = against(patient, kind, NOW)
        assert "30 years after the last red cells" in words
    [words] = against(patient, "mistake", NOW)
    assert "no mere mistake" in words


def test_a_mistake_without_blood_need_not_be_kept(site):
    patient = make_gone(site, standing_since=TODAY, birth_date=None)
    factories.make_result(patient, on=TODAY)
    assert against(patient, "mistake", NOW) == ()
    assert len(against(patient, "time_over", NOW)) == 1
    unit = factories.make_unit(factories.make_exchange_session(patient, on=TODAY, state="cancelled",
                                                               ended_reason="not here"), state="returned",
                               end_reason="not needed")  # fmt: skip
    assert against(patient, "mistake", NOW) == ()
    type(unit).objects.filter(pk=unit.pk).update(state="given")
    assert len(against(patient, "mistake", NOW)) == 1


def test_what_came_meanwhile_stands_against_agreeing_and_doing(site, consultant, administrator):
    patient = make_gone(site)
    row = ask(patient, consultant)
    result = factories.make_result(patient, on=TODAY)
    with pytest.raises(ValidationError, match="must be kept until"):
        agree(row, administrator)
    type(result).objects.filter(pk=result.pk).delete()
    row = agree(row, administrator)
    factories.make_result(patient, on=TODAY)
    with pytest.raises(ValidationError, match="must be kept until"):
        erase(erasure=row, actor=None, at=NOW + timedelta(days=8))
    assert Patient.objects.filter(pk=patient.pk).exists()


QUERIES = 78
"""One for each table that holds something of a person, one for each kind of contact and of blood, one for each reason
against it, the person, and the settings of the unit twice."""


def test_the_page_takes_as_many_queries_for_much_as_for_little(site, consultant, django_assert_num_queries):
    patient = make_gone(site)
    row = Erasure.objects.select_related("site", "asked_by").get(pk=ask(patient, consultant).pk)
    with django_assert_num_queries(QUERIES):
        little = erasure_page(row, NOW)
    for month in (1, 2, 3):
        factories.make_exchange_session(patient, on=date(1991, month, 4))
    with django_assert_num_queries(QUERIES):
        much = erasure_page(row, NOW)
    assert dict(much.rows)["Exchange sessions"] == 3
    assert "Exchange sessions" not in dict(little.rows)
