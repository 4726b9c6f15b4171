"""Every command is in the access matrix and keeps to the unit it is asked about; who is named in one needs the role."""

import io

import pytest
import time_machine
from django.core.management import CommandError, call_command, get_commands

from programme.core import access
from programme.core.models import Role, Site
from programme.planning import replan
from sessions.facts import rebuild_facts
from sessions.models import BacktestRun
from tests import factories
from tests.factories import NOW, TODAY

OURS = ("programme.", "patients", "sessions")
ASKS_ABOUT_PEOPLE = {
    "forecast_hbs": ("--days", "28"),
    "place_everyone": ("--from", str(TODAY)),
    "show_inbox": (),
    "suggest_plan": (),
}
NAMES_A_PERSON = {
    "export_person": lambda ref, folder: (ref, "--to", str(folder), "--reason", "asked for"),
    "forecast_hbs": lambda ref, folder: ("--days", "28", "--patient", ref),
    "show_results": lambda ref, folder: ("--patient", ref),
    "suggest_plan": lambda ref, folder: ("--patient", ref),
}
GIVES_OUT_NOBODY = {
    "backtest": (),
    "forecast_demand": ("--from", str(TODAY)),
    "rebuild_facts": (),
    "replan": ("--everyone",),
    "show_senders": (),
}
EVERY_UNIT_BY_DEFAULT = {"rebuild_facts", "replan"}


@pytest.fixture(scope="module")
def made_once(rows_of_the_module):
    """People with a past, a result and an item of the inbox, at two units."""
    with time_machine.travel(NOW, tick=True):
        for code, ref in (("saltmarsh", "NEAR"), ("heronsford", "AFAR")):
            unit = factories.make_site(code)
            factories.make_chair(unit)
            factories.make_open_week(unit)
            for number in range(3):
                patient = factories.make_patient(f"{ref}{number}", site=unit)
                factories.make_course(patient, last_on=TODAY, sessions=6)
                factories.make_inbox_item(patient)
                rebuild_facts([patient.pk], NOW)
            factories.make_sender(unit)
            replan.replan(site=unit, as_of=TODAY, clock=lambda: NOW, refit=True)


@pytest.fixture
def two_units(made_once, db, frozen_day):
    return [Site.objects.get(code=code) for code in ("saltmarsh", "heronsford")]


def said(name, *arguments):
    """Return all that the command prints."""
    out = io.StringIO()
    call_command(name, *arguments, stdout=out, stderr=out)
    return out.getvalue()


def test_every_command_of_ours_is_in_the_matrix_and_no_other():
    ours = {name for name, app in get_commands().items() if str(app).startswith(OURS)}
    assert set(access.commands()) == ours
    assert set(access.commands().values()) == {"person", "unit", "machine"}
    asked = {*ASKS_ABOUT_PEOPLE, *NAMES_A_PERSON}
    assert asked == {name for name, reaches in access.commands().items() if reaches == "person"}
    assert {access.commands()[name] for name in GIVES_OUT_NOBODY} == {"unit"}


@pytest.mark.parametrize("name", ASKS_ABOUT_PEOPLE)
def test_a_command_about_people_gives_out_those_of_the_unit_asked_about_alone(two_units, name):
    for unit, own, others in zip(two_units, ("NEAR", "AFAR"), ("AFAR", "NEAR"), strict=True):
        printed = said(name, *ASKS_ABOUT_PEOPLE[name], "--site", unit.code)
        assert f'"{own}0"' in printed and f'"{own}2"' in printed
        assert others not in printed


@pytest.mark.parametrize("name", NAMES_A_PERSON)
def test_a_person_of_another_unit_is_as_unknown_to_a_command_as_nobody(two_units, tmp_path, name):
    refusals = []
    for ref in ("AFAR1", "NOBODY"):
        with pytest.raises(CommandError) as refused:
            said(name, *NAMES_A_PERSON[name](ref, tmp_path), "--site", "saltmarsh")
        refusals.append(str(refused.value).replace(ref, "…"))
    assert refusals[0] == refusals[1]
    assert list(tmp_path.iterdir()) == []
    assert len(said(name, *NAMES_A_PERSON[name]("NEAR1", tmp_path), "--site", "saltmarsh")) > 20


@pytest.mark.parametrize("name", sorted({*ASKS_ABOUT_PEOPLE, *GIVES_OUT_NOBODY} - EVERY_UNIT_BY_DEFAULT))
def test_where_there_are_several_units_one_must_be_named(two_units, name):
    with pytest.raises(CommandError, match=r"saltmarsh") as refused:
        said(name, *(ASKS_ABOUT_PEOPLE | GIVES_OUT_NOBODY)[name])
    assert "--site" in str(refused.value)


@pytest.mark.parametrize("name", sorted({*ASKS_ABOUT_PEOPLE, *NAMES_A_PERSON, *GIVES_OUT_NOBODY}))
def test_a_unit_that_does_not_exist_is_refused_with_those_that_do(two_units, tmp_path, name):
    named = {one: asked("NEAR1", tmp_path) for one, asked in NAMES_A_PERSON.items()}
    with pytest.raises(CommandError, match=r"There is no site 'elsewhere'; known are: heronsford, saltmarsh"):
        said(name, *(named | ASKS_ABOUT_PEOPLE | GIVES_OUT_NOBODY)[name], "--site", "elsewhere")


@pytest.mark.parametrize("name", GIVES_OUT_NOBODY)
def test_a_command_about_a_unit_names_no_person(two_units, name):
    printed = said(name, *GIVES_OUT_NOBODY[name], "--site", "saltmarsh")
    assert "NEAR" not in printed and "AFAR" not in printed


@pytest.mark.parametrize("role", Role.values)
@pytest.mark.parametrize("unit", ["saltmarsh", "heronsford"])
def test_a_form_is_accepted_in_the_name_of_a_consultant_of_the_unit_alone(two_units, role, unit):
    factories.make_backtest_run(two_units[0], form_chosen="")
    factories.make_user(role=role, site=Site.objects.get(code=unit), username="named")
    asked = ("--site", "saltmarsh", "--accept", "graded", "--reason", "steadier here", "--by", "named")
    if (role, unit) == ("consultant", "saltmarsh"):
        assert "is in use from the next fit on" in said("backtest", *asked)
        return
    with pytest.raises(CommandError, match=r"Nobody signs in as 'named'|accepted by a consultant"):
        said("backtest", *asked)
    assert set(BacktestRun.objects.values_list("form_chosen", flat=True)) == {""}
