"""One tube whose results come in several messages: what contradicts holds all of it, in whatever order it came."""

from __future__ import annotations

from datetime import date

import pytest
from django.core.exceptions import ValidationError

from patients.models import Analyte, LabResult
from programme.core.models import TrailEntry
from programme.intake.models import InboxItem, RawMessage
from programme.intake.services.deciding import settle, undo
from tests import factories
from tests.factories import NOW
from tests.programme.intake.numeric.test_hl7 import message, obx
from tests.programme.intake.test_messages import arrive as arrive_hl7
from tests.programme.intake.test_reading import arrive, in_force, row, waiting

HBA = {"code": "4546-8", "value": "94", "result_id": "A3"}
HB = {"code": "718-7", "value": "95", "unit": "g/L", "result_id": "A2"}
AT_THE_GROUP = {"taken": "2026-06-01T07:15:00+01:00"}


def arrive_group(site, text="AB^AB Neg^L", status="F"):
    """A group by HL7, from the blood bank: another source than the rows of the file, and the same moment."""
    count = RawMessage.objects.count()
    body = message(obx(text, code="882-1^ABO and Rh group^LN", unit="", kind="CWE", status=status))
    arrive_hl7(site, body, f"G{count}")


@pytest.fixture
def ada(site):
    person = factories.make_patient("R001", site=site)
    factories.make_needs(person, abo="O", rhd="+")
    return person


def decide(item, choice, nurse):
    item.refresh_from_db()
    return settle(item=item, version=item.version, choice=choice, why="telephoned", actor=nurse, at=NOW)


def counts(patient):
    return [value for _, value, _ in in_force(patient)]


@pytest.mark.parametrize("group_first", [True, False])
def test_another_group_holds_what_came_of_its_moment_in_other_messages(site, ada, group_first):
    if group_first:
        arrive_group(site)
    arrive(site, row(value="26", **AT_THE_GROUP))
    arrive(site, row(**HB, **AT_THE_GROUP, source="Harbour Laboratory"))
    if not group_first:
        arrive_group(site)
    assert counts(ada) == []
    assert sorted(waiting(site)) == ["group_differs", "same_sample", "same_sample"]
    held = LabResult.objects.get(analyte=Analyte.HBS)
    assert "Group AB- arrived; recorded is O+" in held.held_reason
    item = InboxItem.objects.get(result=held)
    assert item.raw == item.read_result.raw and item.read_result.said["value_text"] == "26"
    assert ("It counted until now" in item.sentence) is not group_first


def test_what_is_held_afterwards_raises_the_version_and_is_in_the_trail(site, ada):
    arrive(site, row(value="26", **AT_THE_GROUP))
    ada.refresh_from_db()
    before = ada.data_version
    arrive_group(site)
    ada.refresh_from_db()
    assert ada.data_version == before + 1
    entry = TrailEntry.objects.filter(patient_key=ada.pk).order_by("number").last()
    assert (entry.action, entry.why) == ("hold result", "its sample is in doubt")
    assert entry.before["held_reason"] == "" and "AB-" in entry.after["held_reason"]


def test_a_tube_of_another_group_counts_only_once_the_group_agrees(site, ada, nurse):
    arrive(site, row(value="26", **AT_THE_GROUP))
    arrive_group(site)
    item = InboxItem.objects.get(reason="same_sample")
    with pytest.raises(ValidationError, match=r"Group AB- arrived; recorded is O\+"):
        decide(item, "accept", nurse)
    decide(InboxItem.objects.get(reason="group_differs"), "noted", nurse)
    with pytest.raises(ValidationError, match="once the recorded group was put right"):
        decide(item, "accept", nurse)
    arrive_group(site, "O^O Pos^L", status="C")
    assert decide(item, "accept", nurse) == 1
    assert counts(ada) == [26.0] and waiting(site) == []


def test_another_group_that_was_withdrawn_holds_nothing_that_comes_later(site, ada):
    arrive_group(site)
    arrive_group(site, status="D")
    arrive(site, row(value="26", **AT_THE_GROUP))
    assert counts(ada) == [26.0] and waiting(site) == []


@pytest.mark.parametrize("other", [{"taken": "2026-06-01T07:31:00+01:00"}, {"ref": "R002", "born": "1990-01-02"}])
def test_another_moment_or_person_is_another_tube(site, ada, other):
    bea = factories.make_patient("R002", site=site, birth_date=date(1990, 1, 2))
    arrive_group(site)
    arrive(site, row(**{"value": "26"} | AT_THE_GROUP | other))
    assert counts(ada) + counts(bea) == [26.0]


def test_the_same_moment_with_another_offset_is_the_same_tube(site, ada):
    arrive_group(site)
    arrive(site, row(value="26", taken="2026-06-01T06:15:00+00:00"))
    assert counts(ada) == []


def test_fractions_of_two_messages_that_add_up_to_more_than_all_are_both_held(site, ada, nurse):
    arrive(site, row(value="30"))
    arrive(site, row(**HBA))
    assert counts(ada) == [] and waiting(site) == ["fractions"] * 2
    arrive(site, row(**HB))
    assert counts(ada) == [] and waiting(site) == ["fractions"] * 3
    item = InboxItem.objects.order_by("pk").last()
    assert decide(item, "accept", nurse) == 3
    assert counts(ada) == [30.0, 94.0, 95.0]
    item.refresh_from_db()
    undo(item=item, version=item.version, actor=nurse, at=NOW)
    assert counts(ada) == [] and waiting(site) == ["fractions"] * 3


@pytest.mark.parametrize("other", [{"source": "Harbour Laboratory"}, {"taken": "2026-06-01T07:40:00+01:00"}])
def test_fractions_of_two_laboratories_or_times_are_not_added_up(site, ada, other):
    arrive(site, row(value="30"))
    arrive(site, row(**HBA | other))
    assert counts(ada) == [30.0, 94.0]


def test_a_corrected_fraction_takes_the_place_of_the_one_before_in_the_sum(site, ada):
    arrive(site, row(value="60"))
    arrive(site, row(value="5", status="corrected"))
    arrive(site, row(**HBA))
    assert counts(ada) == [5.0, 94.0]


@pytest.mark.parametrize("far_first", [True, False])
def test_a_value_far_from_the_last_holds_its_tube_in_every_message(site, ada, far_first):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    sent = [row(value="3"), row(**HB)]
    for one in sent if far_first else reversed(sent):
        arrive(site, one)
    assert counts(ada) == [31.0]
    assert sorted(waiting(site)) == ["far_from_last", "same_sample"]
    assert "HbS was 31 %" in InboxItem.objects.get(reason="same_sample").sentence


def test_what_was_accepted_of_a_tube_holds_nothing_that_comes_later(site, ada, nurse):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    arrive(site, row(value="3"))
    decide(InboxItem.objects.get(), "accept", nurse)
    arrive(site, row(**HB))
    assert counts(ada) == [31.0, 3.0, 95.0] and waiting(site) == []


def test_what_is_known_already_puts_nothing_in_doubt(site, ada, nurse):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    arrive(site, row(value="3"), message_id="one")
    decide(InboxItem.objects.get(), "accept", nurse)
    arrive(site, row(value="3"), row(**HB), message_id="two")
    assert counts(ada) == [31.0, 3.0, 95.0] and waiting(site) == []


def test_a_limit_of_a_tube_in_doubt_does_not_count_by_itself(site, ada, nurse):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    arrive(site, row(value="3"))
    arrive(site, row(code="4576-5", value="<5", result_id="A4"))
    limit = InboxItem.objects.get(reason="comparator")
    assert "Reported as less than 5" in limit.sentence and "HbS was 31 %" in limit.sentence
    with pytest.raises(ValidationError, match="Decide those first"):
        decide(limit, "accept", nurse)
    decide(InboxItem.objects.get(reason="far_from_last"), "accept", nurse)
    assert counts(ada) == [31.0, 3.0]  # the limit waits for a decision of its own
    decide(limit, "accept", nurse)
    assert counts(ada) == [31.0, 3.0, 5.0]


def test_values_measured_at_the_bedside_are_not_of_the_tube(site, ada):
    factories.make_result(ada, analyte=Analyte.HB, value=90.0, on=date(2026, 6, 1), source="by hand",
                          taken_at=AT_THE_GROUP["taken"])  # fmt: skip
    arrive_group(site)
    assert counts(ada) == [90.0]
