"""A seal remembers how each chain ended, so what was cut off or written anew shows."""

import io

import pytest
from django.core.management import CommandError, call_command

from programme.core import guards, seals, trail
from programme.core.models import TrailEntry
from programme.core.tasks import seal_trail
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def without_triggers(db):
    """What somebody with the keys of the database could do."""
    guards.drop()
    yield
    guards.make()


def add(site, patient_key, words="a reason"):
    said = trail.Change(site.pk, patient_key, "change", "goals", 1, why=words)
    return trail.write([said], actor=None, at=factories.NOW)[0]


def verify(*options):
    out = io.StringIO()
    call_command("verify_trail", *options, stdout=out)
    return out.getvalue()


def test_a_whole_trail_is_said_to_be_whole_and_how_it_was_sealed(site):
    add(site, 7)
    assert "1 entries in 1 chains: whole" in verify()
    assert "saltmarsh: never sealed" in verify()
    sealed = seals.seal(site=site, at=factories.NOW)
    said = verify()
    assert "2 entries in 2 chains: whole" in said
    assert sealed.hash in said


def test_the_newest_entries_cut_off_a_chain_show_by_its_seal_and_only_by_it(site, without_triggers):
    add(site, 7)
    newest = add(site, 7)
    assert trail.faults(TrailEntry.objects.all()) == []
    seals.seal(site=site, at=factories.NOW)
    TrailEntry.objects.filter(pk=newest.pk).delete()
    assert trail.faults(TrailEntry.objects.all()) == []  # a shorter chain is a whole chain
    with pytest.raises(CommandError, match=f"patient:7: entry 2 ended in {newest.hash[:8]} when it was sealed"):
        verify()


def test_a_chain_written_anew_with_hashes_that_fit_shows(site, without_triggers):
    add(site, 7, "the true reason")
    seals.seal(site=site, at=factories.NOW)
    TrailEntry.objects.filter(patient_key=7).delete()
    add(site, 7, "another reason")
    assert trail.faults(TrailEntry.objects.all()) == []
    with pytest.raises(CommandError, match="patient:7: entry 1 ended in"):
        verify()


@pytest.mark.parametrize("changes", [{"why": "another"}, {"number": 9}, {"previous_hash": "0" * 64}])
def test_a_change_a_gap_and_a_reorder_end_the_command_with_a_fault(site, without_triggers, changes):
    entries = [add(site, 7) for _ in range(3)]
    TrailEntry.objects.filter(pk=entries[1].pk).update(**changes)
    with pytest.raises(CommandError, match="faults in the trail"):
        verify()


def test_a_seal_that_was_noted_elsewhere_must_still_be_there(site, without_triggers):
    add(site, 7)
    noted = seals.seal(site=site, at=factories.NOW).hash
    assert "whole" in verify("--noted", noted, "--noted", noted[:16].upper())
    TrailEntry.objects.filter(site=site).delete()  # everything, seal and all, is gone
    assert "whole" in verify()
    with pytest.raises(CommandError, match=f"the seal noted as {noted}"):
        verify("--noted", noted)
    with pytest.raises(CommandError, match="at least 16 digits"):
        verify("--noted", "")


def test_a_seal_names_what_grew_since_the_last_one_and_what_came_late(site, other_site):
    add(site, 7)
    add(other_site, 9)
    first = seals.seal(site=site, at=factories.NOW)
    assert set(first.after["ends"]) == {"patient:7"}
    add(site, 8)
    second = seals.seal(site=site, at=factories.NOW + seals.OVERLAP * 2)
    assert second.after["ends"].keys() == {"patient:8", f"site:{site.pk}", "patient:7"}  # written within the overlap
    third = seals.seal(site=site, at=factories.NOW + seals.OVERLAP * 4)
    assert third.after["ends"].keys() == {f"site:{site.pk}"}


def test_the_task_and_the_command_seal_every_site(site, other_site):
    assert seal_trail() == 2
    out = io.StringIO()
    call_command("seal_trail", stdout=out)
    assert [line.split(":")[0] for line in out.getvalue().splitlines()] == ["heronsford", "saltmarsh"]
    assert TrailEntry.objects.filter(action=seals.SEALED).count() == 4
    assert seals.faults() == []
