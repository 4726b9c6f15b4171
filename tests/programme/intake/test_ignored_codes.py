"""Codes that a consultant has ignored: nothing waits under them, nothing is lost, and none of them counts."""

from __future__ import annotations

from datetime import date

import pytest

from programme.core.models import TrailEntry
from programme.intake.models import Became, InboxItem, LocalCode, ReadResult
from tests import factories
from tests.programme.intake.test_reading import arrive, in_force, row, waiting

pytestmark = pytest.mark.usefixtures("frozen_day")


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


@pytest.fixture
def ignore(consultant_client):
    def do(code, key="ignore-1", **changed):
        said = {"receipt": key, "code": code, "analyte": "ignore", "unit": "", "reason": "list of May, Dr Oake"}
        return consultant_client.post("/inbox/codes/add/", said | changed)

    return do


def test_a_blood_count_leaves_only_what_counts(site, ada, ignore, consultant_client):
    arrive(site, row(code="WBC", value="8.1", unit="10*9/L", result_id="A2"))
    assert waiting(site) == ["unknown_code"]
    assert ignore("WBC").status_code == 302 and ignore("6690-2", key="ignore-2").status_code == 302
    assert waiting(site) == []  # what waited was left out with it
    body = row(code="WBC", value="8.3", unit="10*9/L", result_id="B1") + row(code="6690-2", result_id="B2")
    raw = arrive(site, row(result_id="B3"), body)
    assert waiting(site) == [] and [value for _, value, _ in in_force(ada)] == [31.5]
    assert [one.became for one in ReadResult.objects.filter(raw=raw).order_by("number")] == [
        Became.FILED, Became.IGNORED, Became.IGNORED
    ]  # fmt: skip
    assert b"WBC,8.3" in bytes(raw.body)
    page = consultant_client.get("/inbox/codes/").content.decode()
    assert "1 so far, the last 1 Jun 2026" in page and "list of May, Dr Oake" in page
    assert TrailEntry.objects.filter(action="ignore local code", why="list of May, Dr Oake").count() == 2


def test_what_waited_can_be_taken_back_one_by_one(site, ada, ignore, nurse_client):
    arrive(site, row(code="WBC", result_id="A2"))
    ignore("WBC")
    item = InboxItem.objects.get()
    assert item.choice == "leave_out" and "WBC is ignored" in item.why
    said = {"receipt": "back-1", "version": item.version}
    assert nurse_client.post(f"/inbox/{item.pk}/undo/", said).status_code == 302
    assert waiting(site) == ["unknown_code"]


@pytest.mark.parametrize("code", ["4625-0", "718-7", "882-1", "890-4"])
def test_what_is_taken_by_itself_cannot_be_ignored(site, ignore, code):
    assert ignore(code).status_code == 422
    assert not LocalCode.objects.exists()


@pytest.mark.parametrize("changed", [{"unit": "g/L"}, {"reason": " "}, {"analyte": ""}])
def test_a_code_is_ignored_only_by_a_whole_form(site, ignore, changed):
    assert ignore("WBC", **changed).status_code == 422
    assert not LocalCode.objects.exists()


def test_only_a_consultant_says_so(site, nurse_client):
    said = {"receipt": "n-1", "code": "WBC", "analyte": "ignore", "unit": "", "reason": "noise"}
    assert nurse_client.post("/inbox/codes/add/", said).status_code == 403


def test_once_it_is_ended_or_stands_for_something_it_waits_or_is_filed_again(site, ada, ignore, consultant_client):
    ignore("SICKLE")
    arrive(site, row(code="SICKLE"), message_id="one")
    assert in_force(ada) == [] and waiting(site) == []
    code = LocalCode.objects.get()
    consultant_client.post(f"/inbox/codes/{code.pk}/end/", {"receipt": "end-1", "version": code.version})
    code.refresh_from_db()
    assert code.until == date(2026, 6, 1)
    arrive(site, row(code="SICKLE"), message_id="two")  # the same result, sent again: it was never taken
    assert waiting(site) == ["unknown_code"]


def test_another_case_or_spelling_is_not_ignored(site, ada, ignore):
    ignore("WBC")
    arrive(site, row(code="wbc", result_id="A2"), row(code="WBC-2", result_id="A4"))
    assert waiting(site) == ["unknown_code"] * 2


def test_the_page_opens_with_the_code_of_the_result_that_waits(site, ada, consultant_client):
    arrive(site, row(code="WBC", result_id="A2"))
    opened = consultant_client.get(f"/inbox/{InboxItem.objects.get().pk}/").content.decode()
    assert "/inbox/codes/?code=WBC" in opened
    assert 'value="WBC"' in consultant_client.get("/inbox/codes/?code=WBC").content.decode()
