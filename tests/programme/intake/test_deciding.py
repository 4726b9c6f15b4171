"""Decisions about what waits, by page, and taking them back."""

from __future__ import annotations

from datetime import date

import pytest

from patients.models import Analyte, LabResult
from programme.core.models import TrailEntry
from programme.intake.models import InboxItem, ItemState, LocalCode
from tests import factories
from tests.conftest import client_of
from tests.looks import A_LOOK
from tests.programme.intake.test_reading import arrive, in_force, row, waiting

pytestmark = pytest.mark.usefixtures("frozen_day")


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


@pytest.fixture
def decide(nurse_client):
    def do(choice, why="", what="settle", key="key-1", version=None):
        item = InboxItem.objects.order_by("pk").first()
        values = {
            "receipt": f"{key}-{what}", "version": version or item.version, "choice": choice, "why": why
        }  # fmt: skip
        return nurse_client.post(f"/inbox/{item.pk}/{what}/", values)

    return do


def counts(patient):
    return [value for _, value, _ in in_force(patient)]


def test_a_held_result_counts_once_accepted_and_not_after_undo(site, ada, decide):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    arrive(site, row(value="3"))
    assert counts(ada) == [31.0]
    assert decide("accept").status_code == 422  # no reason was given
    assert counts(ada) == [31.0]
    assert decide("accept", why="exchanged elsewhere", key="key-2").status_code == 302
    assert counts(ada) == [31.0, 3.0] and waiting(site) == []
    assert decide("", what="undo").status_code == 302
    assert counts(ada) == [31.0] and waiting(site) == ["far_from_last"]
    actions = list(TrailEntry.objects.filter(patient_key=ada.pk).order_by("number").values_list("action", flat=True))
    assert "accept held result" in actions and "take decision on arrival back" in actions


def test_all_of_one_tube_is_decided_in_one_touch_and_taken_back_in_one(site, ada, decide, nurse_client):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    tube = [row(value="3"), row(code="4546-8", value="94", result_id="A2")]
    arrive(site, *tube, row(code="718-7", value="95", unit="g/L", result_id="A3"), row(value="<5", result_id="A4"))
    opened = nurse_client.get(f"/inbox/{InboxItem.objects.order_by('pk').first().pk}/").content.decode()
    assert "Decided with it, of the same sample:<br>HbA" in opened
    assert decide("accept", why="exchanged elsewhere").status_code == 302
    assert sorted(counts(ada)) == [3.0, 31.0, 94.0, 95.0]
    assert waiting(site) == ["comparator"]  # a limit is a doubt of its own
    assert "It is right: file it: exchanged elsewhere" in nurse_client.get("/inbox/filed/").content.decode()
    decide("", what="undo")
    assert counts(ada) == [31.0]
    assert sorted(waiting(site)) == ["comparator", "far_from_last", "same_sample", "same_sample"]
    decide("leave_out", key="key-3")
    assert counts(ada) == [31.0] and waiting(site) == ["comparator"]


def test_the_person_is_chosen_with_a_reason_and_taken_back(site, ada, decide):
    bea = factories.make_patient("R002", site=site, birth_date=date(1990, 1, 2))
    arrive(site, row(born="1990-01-02"))
    assert decide(f"person:{bea.pk}", why="called the laboratory").status_code == 302
    assert counts(bea) == [31.5] and counts(ada) == [] and waiting(site) == []
    decide("", what="undo")
    assert counts(bea) == [] and waiting(site) == ["two_people_fit"]


def test_nobody_else_can_be_chosen(site, other_site, ada, decide):
    stranger = factories.make_patient("R001", site=other_site)
    arrive(site, row(born="1994-03-15"))
    assert decide(f"person:{stranger.pk}", why="a try").status_code == 422
    assert not LabResult.objects.exists()


def test_a_chosen_unit_is_converted(site, ada, decide):
    arrive(site, row(code="718-7", value="9.4", unit=""))
    item = InboxItem.objects.get()
    assert item.about["units"] == ["g/dL"] and "94 g/L" in item.sentence
    decide("unit:g/dL", why="asked the laboratory")
    assert in_force(ada) == [(Analyte.HB, 94.0, "final")]


def test_a_doubt_that_shows_only_then_comes_as_an_item_of_its_own(site, ada, decide):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    arrive(site, row(value="3", born="1994-03-15"))
    decide(f"person:{ada.pk}", why="birth date was mistyped")
    assert counts(ada) == [31.0] and waiting(site) == ["far_from_last"]


def test_the_newer_of_two_contents_can_be_taken_and_the_earlier_comes_back(site, ada, decide):
    arrive(site, row())
    arrive(site, row(value="28"))
    decide("newest", why="the laboratory confirmed it")
    assert counts(ada) == [28.0]
    decide("", what="undo")
    assert counts(ada) == [31.5]


def test_a_result_withdrawn_for_one_person_can_be_filed_for_another_and_taken_back(site, ada, decide, nurse_client):
    bea = factories.make_patient("R002", site=site, birth_date=date(1990, 1, 2))
    arrive(site, row())
    arrive(site, row(value="", status="withdrawn"))
    arrive(site, row(ref="R002", born="1990-01-02", status="corrected"))
    item = InboxItem.objects.get(reason="after_withdrawal")
    said = {"receipt": "again-1", "version": item.version, "choice": "newest", "why": "sent for Ada by mistake"}
    assert nurse_client.post(f"/inbox/{item.pk}/settle/", said).status_code == 302
    assert counts(bea) == [31.5] and counts(ada) == []
    item.refresh_from_db()
    nurse_client.post(f"/inbox/{item.pk}/undo/", {"receipt": "again-2", "version": item.version})
    assert counts(bea) == counts(ada) == [] and "after_withdrawal" in waiting(site)


def test_before_or_after_is_said_by_a_person(site, ada, decide):
    session = factories.make_exchange_session(
        ada, on=date(2026, 6, 1), hbs_before_pct=None, hbs_after_pct=None, hb_before_g_l=None, hb_after_g_l=None
    )
    arrive(site, row())
    decide("after")
    link = session.result_links.get()
    assert link.position == "after" and not link.by_rule
    decide("", what="undo")
    assert not session.result_links.exists() and waiting(site) == ["before_or_after"]


def test_a_code_that_was_agreed_meanwhile_is_read_again(site, ada, decide, consultant_client):
    arrive(site, row(code="SICKLE"))
    assert decide("read_again", key="too-early").status_code == 422
    said = {"receipt": "code-1", "code": "SICKLE", "analyte": "4625-0", "unit": "", "reason": "list of May"}
    assert consultant_client.post("/inbox/codes/add/", said).status_code == 302
    decide("read_again")
    assert counts(ada) == [31.5]
    code = LocalCode.objects.get()
    consultant_client.post(f"/inbox/codes/{code.pk}/end/", {"receipt": "code-2", "version": code.version})
    code.refresh_from_db()
    assert code.until == date(2026, 6, 1)
    arrive(site, row(code="SICKLE", result_id="A7"))
    assert waiting(site) == ["unknown_code"]


def test_a_double_touch_decides_once_and_an_old_page_decides_nothing(site, ada, decide, nurse_client):
    arrive(site, row(unit=""))
    first, second = decide("return"), decide("return")
    assert first.status_code == second.status_code == 302
    item = InboxItem.objects.get()
    assert item.state == ItemState.SETTLED
    assert decide("return", key="later", version=1).status_code == 422


def test_a_later_version_settles_what_waited(site, ada):
    arrive(site, row(unit="", status="preliminary"))
    assert waiting(site) == ["no_unit"]
    arrive(site, row())
    assert waiting(site) == [] and counts(ada) == [31.5]


@pytest.mark.parametrize(
    ("sent", "decision"),
    [({"born": "1994-03-15"}, "person:{ada}"), ({"code": "718-7", "unit": ""}, "unit:g/L")],
)
@pytest.mark.parametrize("earlier", ["preliminary", "final"])
def test_of_two_versions_that_wait_the_later_is_decided_first(site, ada, nurse_client, sent, decision, earlier):
    arrive(site, row(value="90", status=earlier, **sent))
    arrive(site, row(value="94", status="corrected", **sent))
    first, second = InboxItem.objects.order_by("pk")
    decision = decision.format(ada=ada.pk)

    def decide(item, key):
        values = {"receipt": f"two-{key}", "version": item.version, "choice": decision, "why": "telephoned"}
        return nurse_client.post(f"/inbox/{item.pk}/settle/", values)

    refused = decide(first, "first")
    assert refused.status_code == 422
    assert "A later version of this result waits too (corrected 94" in refused.content.decode()
    assert counts(ada) == [] and InboxItem.objects.waiting().count() == 2
    assert decide(second, "second").status_code == 302
    assert counts(ada) == [94.0] and waiting(site) == []
    first.refresh_from_db()
    assert first.choice == "overtaken"


def test_once_the_later_version_is_returned_the_earlier_can_be_decided(site, ada, decide, nurse_client):
    arrive(site, row(value="30", born="1994-03-15"))
    arrive(site, row(value="35", born="1994-03-15", status="corrected"))
    later = InboxItem.objects.order_by("pk").last()
    values = {"receipt": "back-1", "version": later.version, "choice": "return", "why": ""}
    assert nurse_client.post(f"/inbox/{later.pk}/settle/", values).status_code == 302
    assert decide(f"person:{ada.pk}", why="telephoned").status_code == 302
    assert counts(ada) == [30.0]
    later.refresh_from_db()
    assert later.choice == "return"


def test_what_an_earlier_version_is_decided_to_be_leaves_the_later_one_waiting(site, ada, decide):
    arrive(site, row(value="30", born="1994-03-15"))
    arrive(site, row(value="35", born="1994-03-15", status="corrected"))
    assert decide("return").status_code == 302
    assert waiting(site) == ["birth_date_differs"] and counts(ada) == []


def test_pages_show_what_waits_whose_and_why(site, ada, nurse_client, coordinator_client):
    arrive(site, row(value="<5"), row(ref="Z999", born="1950-01-01", result_id="A2"))
    page = nurse_client.get("/inbox/").content.decode()
    assert "A limit, not a value" in page and "Nobody fits" in page and "Testwood, Ada R001" in page
    assert 'Inbox <span class="ct">2</span>' in page
    assert "Leave it out" in page and "Leave it out" not in coordinator_client.get("/inbox/").content.decode()
    item = InboxItem.objects.get(reason="comparator")
    opened = nurse_client.get(f"/inbox/{item.pk}/").content.decode()
    assert "R001,1994-03-14,4625-0,&lt;5,%" in opened and "File the limit as the value" in opened
    assert coordinator_client.post(f"/inbox/{item.pk}/settle/", {}).status_code == 403


def test_items_of_another_unit_are_unknown(site, ada, nurse_elsewhere):
    arrive(site, row(value="<5"))
    item = InboxItem.objects.get()
    client = client_of(nurse_elsewhere)
    for address in (f"/inbox/{item.pk}/", f"/inbox/{item.pk}/settle/"):
        assert client.get(address).status_code in (404, 405)
    assert client.post(f"/inbox/{item.pk}/settle/", {"choice": "return"}).status_code == 404


@pytest.mark.parametrize("rows", [1, 3])
def test_the_pages_ask_a_fixed_number_of_queries(site, ada, nurse_client, django_assert_num_queries, rows):
    for number in range(rows):
        arrive(site, row(value="<5", result_id=f"A{number}"), row(born="1994-03-15", result_id=f"B{number}"))
    nurse_client.get("/inbox/")
    with django_assert_num_queries(9):  # two of them find out who is signed in
        nurse_client.get("/inbox/")
    with django_assert_num_queries(9 + A_LOOK):
        nurse_client.get(f"/inbox/{InboxItem.objects.order_by('pk').last().pk}/")
    with django_assert_num_queries(6):
        nurse_client.get("/inbox/filed/")
    with django_assert_num_queries(6):
        nurse_client.get("/inbox/codes/")
