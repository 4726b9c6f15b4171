"""Everything stored of one person, held against the standard, the tables and our own reading of FHIR."""

import io
import json
import stat
import zipfile
from datetime import date, datetime
from hashlib import sha256
from zoneinfo import ZoneInfo

import pytest
import time_machine
import weasyprint
from django.apps import apps
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.db import connection
from django.db.models import ForeignKey
from fhir.resources.R4B import get_fhir_model_class
from fhir.resources.R4B.bundle import Bundle

from patients.models import STORED_UNIT, Analyte, LabResult, Patient
from programme.core.models import Role, TrailEntry, User
from programme.custody.numeric.bundle import bundle_of
from programme.custody.numeric.resources import OWN_UNITS
from programme.custody.queries.everything import everything_of
from programme.custody.queries.held import HELD, LEFT_OUT, NOT_GIVEN, OF_NOBODY
from programme.custody.services.exporting import EXPORTED, export_person
from programme.intake.models import InboxItem, ReadResult
from programme.intake.numeric import fhir
from programme.intake.numeric.arrivals import Envelope
from programme.intake.numeric.codes import LocalMeaning, Measured, read_value
from programme.supply.models import SuppliedUnit
from tests import factories
from tests.conftest import client_of
from tests.factories import NOW, TODAY
from tests.programme.core.test_access import make_person
from tests.test_project_rules import STAGES
from tests.whole_person import fill, make_results

pytestmark = pytest.mark.django_db
LONDON = ZoneInfo("Europe/London")
MADE_AT = datetime(2026, 6, 1, 10, 0, tzinfo=LONDON)
OURS = [model for model in apps.get_models() if model._meta.app_label in STAGES]
EXPORTED_TABLES = {held.table for held in HELD}

ALLOWED = {
    "Observation.status": "registered preliminary final amended corrected cancelled entered-in-error unknown",
    "Procedure.status": "preparation in-progress not-done on-hold stopped completed entered-in-error unknown",
    "MedicationAdministration.status": "in-progress not-done on-hold completed entered-in-error stopped unknown",
    "Appointment.status": "proposed pending booked arrived fulfilled cancelled noshow entered-in-error checked-in "
    "waitlist",
    "Goal.lifecycleStatus": "proposed planned accepted active on-hold completed cancelled entered-in-error rejected",
    "Consent.status": "draft proposed active rejected inactive entered-in-error",
    "Specimen.status": "available unavailable unsatisfactory entered-in-error",
    "AdverseEvent.actuality": "actual potential",
    "Patient.gender": "male female other unknown",
    "BiologicallyDerivedProduct.productCategory": "organ tissue fluid cells biologicalAgent",
}
"""Codes with a required binding (HL7 FHIR R4 4.0.1 (2019), pages of the resources): the library checks none of them."""


@pytest.fixture(scope="module")
def rows(rows_of_the_module):
    """R1, of whom every table holds a row, and R2 of the same unit, of whom nothing may be told."""
    with time_machine.travel(NOW, tick=True):
        site = factories.make_site("saltmarsh", name="Saltmarsh Day Unit")
        by = factories.make_user(role=Role.CONSULTANT, site=site)
        make_person(site, "R1")
        ada = Patient.objects.get(patient_ref="R1")
        Patient.objects.filter(pk=ada.pk).update(birth_date=date(1994, 3, 14), language="Portuguese")
        fill(ada, by)
        other = factories.make_exchange_session(factories.make_patient("R2", site=site, family_name="Somebodyelse"))
        factories.make_step(other)
        factories.make_unit(other)


@pytest.fixture
def ada(rows, db):
    return Patient.objects.select_related("site").get(patient_ref="R1")


@pytest.fixture
def consultant(ada):
    return User.objects.get(username="consultant.saltmarsh")


@pytest.fixture
def _papers_are_quick(monkeypatch):
    """Setting a paper takes a second, and one test reads a real one."""
    monkeypatch.setattr(weasyprint.HTML, "write_pdf", lambda self, **_: b"%PDF paper")


def bundle(patient):
    return json.loads(json.dumps(bundle_of(everything_of(patient), made_at=MADE_AT)))


def resources(of, kind):
    return [entry["resource"] for entry in of["entry"] if entry["resource"]["resourceType"] == kind]


def stored_in(resource):
    """{field: value} of the extension that holds the whole row."""
    extension = next(one for one in resource["extension"] if one["url"] == "urn:ebbline:stored")
    return {one["url"]: next(value for name, value in one.items() if name != "url") for one in extension["extension"]}


# Nothing is forgotten


def test_every_table_is_exported_or_named_with_the_reason_why_not():
    named = [*EXPORTED_TABLES, *LEFT_OUT, *OF_NOBODY]
    assert len(named) == len(set(named))
    assert {model._meta.label for model in OURS} == set(named)
    assert all(LEFT_OUT.values())


def test_no_table_that_leads_to_a_person_counts_as_one_of_nobody():
    """Followed by foreign keys from table to table, however far away the person is."""
    leads = {"patients.Patient"}
    while True:
        more = {
            model._meta.label
            for model in OURS
            for field in model._meta.concrete_fields
            if isinstance(field, ForeignKey) and field.related_model._meta.label in leads
        }
        if more <= leads:
            break
        leads |= more
    assert len(leads) > 25
    assert leads & OF_NOBODY == set()
    by_number = {
        model._meta.label
        for model in OURS
        if any(field.name.startswith("patient") for field in model._meta.concrete_fields)
    }
    assert by_number & OF_NOBODY == set()


def test_every_row_and_every_field_of_the_person_is_in_it_and_nothing_of_anybody_else(ada):
    of = bundle(ada)
    told = {}
    for entry in of["entry"]:
        said = stored_in(entry["resource"])
        told[said["table"], int(said["key"])] = said
    assert {table for table, _ in told} == EXPORTED_TABLES
    for (table, key), said in told.items():
        row = apps.get_model(table)._default_manager.get(pk=key)
        fields = {field.name for field in row._meta.concrete_fields if getattr(row, field.attname) not in (None, "")}
        given_away = {field for field in fields if (table, field) not in NOT_GIVEN} - {row._meta.pk.name}
        assert given_away <= set(said), f"{table}: {sorted(given_away - set(said))} are missing"
    for table in EXPORTED_TABLES:  # counted the other way round, from the person
        model = apps.get_model(table)
        if "patient" in {field.name for field in model._meta.concrete_fields}:
            assert sum(of_table == table for of_table, _ in told) == model._default_manager.filter(patient=ada).count()
    text = json.dumps(of)
    assert "Somebodyelse" not in text
    assert "R2" not in {said.get("patient_ref") for said in told.values()}
    assert ada.feeds.get().secret_digest not in text


def test_as_many_queries_with_one_session_as_with_three(ada, django_assert_num_queries):
    names_of_users_chairs_and_units = 3
    with django_assert_num_queries(len(HELD) + names_of_users_chairs_and_units):
        everything_of(ada)
    for day in (date(2025, 1, 6), date(2025, 2, 3)):
        factories.make_step(factories.make_exchange_session(ada, on=day))
    with django_assert_num_queries(len(HELD) + names_of_users_chairs_and_units):
        everything_of(ada)


# The standard


def test_the_bundle_is_one_of_fhir_r4(ada):
    """Structure, cardinality and data types by fhir.resources (R4B, which left these resources as they are in R4)."""
    of = bundle(ada)
    assert of["type"] == "collection"
    Bundle.model_validate(of)
    for entry in of["entry"]:
        resource = entry["resource"]
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)
    wrong = json.loads(json.dumps(of))  # and what is wrong would be noticed
    del resources(wrong, "Procedure")[0]["status"]
    with pytest.raises(ValueError, match="status"):
        Bundle.model_validate(wrong)


def test_every_code_with_a_required_binding_is_one_of_the_standard(ada):
    make_results(ada)
    checked = set()
    for entry in bundle(ada)["entry"]:
        for resource in (entry["resource"], *entry["resource"].get("contained", ())):
            for place, allowed in ALLOWED.items():
                kind, element = place.split(".")
                if resource["resourceType"] == kind:
                    assert resource[element] in allowed.split(), f"{place}: {resource[element]}"
                    checked.add(place)
    assert checked == set(ALLOWED)


def test_every_reference_leads_to_a_resource_of_the_bundle(ada):
    of = bundle(ada)
    known = [entry["fullUrl"] for entry in of["entry"]]
    assert len(known) == len(set(known))
    assert len({entry["resource"]["id"] for entry in of["entry"]}) == len(known)

    def references(part):
        if isinstance(part, dict):
            yield from [part["reference"]] if isinstance(part.get("reference"), str) else []
            part = list(part.values())
        if isinstance(part, list):
            for one in part:
                yield from references(one)

    found = list(references(of))
    assert len(found) > 100
    assert {one for one in found if one not in known} == {"#unit"}  # a product contained in its own resource


def test_results_come_back_through_our_own_reading_of_fhir(ada):
    """The Observations of results, sent as a transaction, are read by the intake as what was stored."""
    for analyte in Analyte.values:
        factories.make_result(ada, analyte=analyte, value=40.0 if analyte != "20570-8" else 0.27, time_known=False)
    of = bundle(ada)
    sent = [
        entry
        for entry in of["entry"]
        if entry["resource"]["resourceType"] == "Patient"
        or stored_in(entry["resource"])["table"] == "patients.LabResult"
    ]
    for entry in sent:
        entry["request"] = {"method": "POST", "url": entry["resource"]["resourceType"]}
    body = json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": sent}).encode()
    arrived = fhir.read(body, Envelope("another unit", LONDON))
    own = {"own:lic": LocalMeaning("own:lic", "mg/g")}
    stored = list(LabResult.objects.filter(patient=ada).order_by("pk"))
    assert len(arrived) == len(stored) > 20
    for arrival, row in zip(arrived, stored, strict=True):
        assert (arrival.reference, arrival.birth_date) == ("R1", ada.birth_date)
        assert arrival.time_known == row.time_known
        assert arrival.taken_at.astimezone(LONDON).date() == row.taken_on
        if row.time_known:
            assert arrival.taken_at == row.taken_at
        if row.analyte == Analyte.LIVER_IRON:  # a code of our own, which a reader must be told
            assert (arrival.code, float(arrival.value_text), arrival.unit) == ("own:lic", row.value, "mg/g")
        else:
            assert read_value(arrival, own) == Measured(row.analyte, row.value)


def test_each_analyte_has_the_unit_it_is_stored_in(ada):
    for analyte in Analyte.values:
        factories.make_result(ada, analyte=analyte, value=0.5 if analyte == "20570-8" else 60.0)
    told = {
        one["code"]["coding"][0]["code"]: one["valueQuantity"]["code"]
        for one in resources(bundle(ada), "Observation")
        if stored_in(one)["table"] == "patients.LabResult"
    }
    assert told == dict(STORED_UNIT)
    assert all(STORED_UNIT[code] == unit for code, unit in OWN_UNITS.items())


def test_what_must_not_count_says_so_in_the_words_of_the_standard(ada):
    """FHIR R4 (2019), ObservationStatus: entered-in-error 'has been withdrawn', preliminary 'may be unverified'."""
    made = make_results(ada)
    of = bundle(ada)
    told = {stored_in(one).get("key"): one for one in resources(of, "Observation")
            if stored_in(one)["table"] == "patients.LabResult"}  # fmt: skip
    said = {name: told[str(row.pk)]["status"] for name, row in made.items()}
    assert said == {
        "superseded": "entered-in-error", "corrected": "corrected", "withdrawn": "entered-in-error",
        "held": "preliminary",
    }  # fmt: skip
    assert told[str(made["held"].pk)]["note"] == [{"text": "not to be expected of this person"}]
    units = {stored_in(one)["state"]: one["status"] for one in resources(of, "MedicationAdministration")
             if "state" in stored_in(one)}  # fmt: skip
    assert units["given"] == "completed"
    assert units["returned"] == "not-done"


def test_of_all_goals_only_those_in_force_are_active(ada):
    factories.make_goals(ada, since=date(2026, 5, 1), hbs_ceiling_pct=25)
    factories.make_goals(ada, since=date(2026, 7, 1), hbs_ceiling_pct=28)
    goals = sorted(resources(bundle(ada), "Goal"), key=lambda one: one["startDate"])
    assert [one["lifecycleStatus"] for one in goals] == ["completed", "active", "accepted"]
    assert goals[1]["target"][0]["detailQuantity"]["value"] == 25


def test_who_changed_what_is_told_and_who_looked(ada):
    of = bundle(ada)
    [change] = [one for one in resources(of, "Provenance") if one["activity"]["text"] == "record result"]
    target = next(entry for entry in of["entry"] if entry["fullUrl"] == change["target"][0]["reference"])
    assert stored_in(target["resource"])["table"] == "patients.LabResult"
    assert change["agent"] == [{"who": {"display": "Consultant of Saltmarsh Day Unit"}}]
    assert change["reason"] == [{"text": "typed"}]
    assert len(resources(of, "AuditEvent")) == TrailEntry.objects.filter(chain=f"seen:{ada.pk}").count() == 1


# Who takes it, and why


def test_the_trail_holds_who_took_it_why_and_which_file(ada, consultant):
    given = export_person(
        patient=ada, why=" asked for by herself ", actor=consultant, at=MADE_AT, to_paper=lambda stored: b"paper"
    )
    entry = TrailEntry.objects.get(action=EXPORTED)
    assert (entry.chain, entry.actor, entry.why) == (f"patient:{ada.pk}", consultant, "asked for by herself")
    assert entry.after["sha256"] == sha256(given.bundle).hexdigest()
    assert entry.after["rows"] == len(json.loads(given.bundle)["entry"])
    before = ada.data_version
    ada.refresh_from_db()
    assert ada.data_version == before  # giving away changes nothing: no forecast becomes stale


def test_without_a_reason_nothing_is_given_away(ada, consultant):
    with pytest.raises(ValidationError, match="Say why"):
        export_person(patient=ada, why="  ", actor=consultant, at=MADE_AT, to_paper=lambda stored: b"paper")
    assert not TrailEntry.objects.filter(action=EXPORTED).exists()


@pytest.mark.usefixtures("_papers_are_quick", "frozen_day")
def test_the_page_gives_both_files_in_one_and_asks_for_the_reason(ada, consultant):
    client, address = client_of(consultant), "/people/R1/export/"
    assert address in client.get("/people/R1/records/").content.decode()
    assert b"To whom and why" in client.get(address).content
    refused = client.post(address, {"receipt": "k1", "why": ""})
    assert refused.status_code == 422
    assert b"To whom and why is needed." in refused.content
    answer = client.post(address, {"receipt": "k1", "why": "moves to Heronsford"})
    assert answer["Content-Type"] == "application/zip"
    assert "R1" not in answer["Content-Disposition"]
    archive = zipfile.ZipFile(io.BytesIO(answer.content))
    assert sorted(name.partition(".")[2] for name in archive.namelist()) == ["fhir.json", "pdf"]
    [name] = [name for name in archive.namelist() if name.endswith(".json")]
    assert json.loads(archive.read(name))["resourceType"] == "Bundle"
    assert TrailEntry.objects.get(action=EXPORTED).why == "moves to Heronsford"


def test_only_a_consultant_sees_the_way_to_it(ada):
    nurse = factories.make_user(role=Role.NURSE, site=ada.site)
    assert b"/export/" not in client_of(nurse).get("/people/R1/records/").content
    assert client_of(nurse).post("/people/R1/export/", {"why": "mine"}).status_code == 403


def test_the_paper_can_be_read(ada, monkeypatch):
    """In words, with units; what was withdrawn is there and says so; looks are counted."""
    set_from = []
    monkeypatch.setattr(weasyprint.HTML, "__init__", lambda self, string, **_: set_from.append(string))
    monkeypatch.setattr(weasyprint.HTML, "write_pdf", lambda self, **_: b"%PDF")
    from programme.custody.pdf import person_pdf  # noqa: PLC0415 -- after the printer was replaced

    factories.make_measure(ada, on=TODAY, weight_kg=61.5, withdrawn_reason="other scales")
    person_pdf(everything_of(ada), made_by="C. Reader", made_at=MADE_AT)
    text = " ".join(set_from[0].split())
    assert "SecretnameR1" in text
    assert '<span class="q">Weight [kg]</span> 61.5' in text
    assert '<span class="q">Withdrawn reason</span> other scales' in text
    assert '<span class="q">HbS ceiling [%]</span> 30' in text
    assert '<span class="q">Analyte</span> Hb; <span class="q">Value [g/L]</span> ' in text
    assert "Looks at the person’s pages: 1" in text
    assert '<span class="q">Language</span> Portuguese' in text
    assert "C. Reader" in text


@pytest.mark.usefixtures("_papers_are_quick")
def test_the_command_writes_two_files_for_their_owner_alone(ada, tmp_path):
    said = io.StringIO()
    call_command("export_person", "R1", "--to", str(tmp_path), "--reason", "asked for by herself", stdout=said)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert [name.partition(".")[2] for name in names] == ["fhir.json", "pdf"]
    assert said.getvalue().split() == [str(tmp_path / name) for name in names]
    assert {stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()} == {0o600}
    assert TrailEntry.objects.get(action=EXPORTED).actor is None


@pytest.mark.usefixtures("_papers_are_quick")
def test_where_a_file_cannot_be_written_none_is_and_the_trail_says_it_was_asked_for(ada, tmp_path):
    """Better a line too many in the trail than a file without one."""
    with time_machine.travel(MADE_AT, tick=False):
        (tmp_path / f"person-{ada.pk}-20260601-1000.pdf").write_text("here before")
        with pytest.raises(CommandError, match="No file was written"):
            call_command("export_person", "R1", "--to", str(tmp_path), "--reason", "asked for")
    assert [path.read_text() for path in tmp_path.iterdir()] == ["here before"]
    assert TrailEntry.objects.get(action=EXPORTED).why == "asked for"


def test_nobodys_writing_waits_while_the_paper_is_set(ada, consultant):
    seen = []

    def to_paper(stored):
        seen.append((connection.in_atomic_block, len(connection.savepoint_ids)))
        return b"paper"

    outside = len(connection.savepoint_ids)  # the test itself runs in a transaction
    export_person(patient=ada, why="asked for", actor=consultant, at=MADE_AT, to_paper=to_paper)
    assert seen == [(True, outside)]


def test_what_was_sent_for_somebody_else_is_not_given_away(ada):
    """R2's reference, birth date and unit stand in rows that also lead to R1."""
    other = Patient.objects.get(patient_ref="R2")
    raw = factories.make_raw_message(ada.site, body=b"both")

    def read(number, reference, born=""):
        return ReadResult.objects.create(
            raw=raw, number=number, site=ada.site, source="lab", sent_id=f"x{number}", status="final", digest="d",
            said={"reference": reference, "birth_date": born, "value_text": "3"}, became="waits",
        )  # fmt: skip

    def ask(read_result, reason, sentence):
        InboxItem.objects.create(
            site=ada.site, raw=raw, read_result=read_result, patient=ada, severity=1, reason=reason, at=NOW,
            sentence=sentence, about={"old": 1},
        )  # fmt: skip

    ask(read(1, "R2"), "withdrawn_unmatched", "lab withdraws x1 for R2-here; here it is a result of R1.")
    ask(read(2, "R1"), "same_id_other_content", "lab sent x2 before for R2-here.")
    ask(read(3, "R1", "1977-07-07"), "birth_date_differs", "Sent with 7 Jul 1977")
    ask(read(4, "R1", "1994-03-14"), "implausible", "not to be expected of R1")
    order = ada.blood_orders.first()
    SuppliedUnit.objects.create(
        order=order, donation_number="G101726999999", arrived_at=NOW, state="given", given_to=other
    )
    text = json.dumps(bundle(ada))
    for secret in ("R2-here", '\\"R2\\"', "1977-07-07", "7 Jul 1977", "G101726999999"):
        assert secret not in text, secret
    assert "not to be expected of R1" in text
    assert text.count("not given: it may name somebody else") > 0


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (["NOBODY", "--to", "."], "Nobody at Saltmarsh Day Unit is 'NOBODY'"),
        (["R1", "--to", "not/there"], "is not a folder"),
        (["R1", "--to", "."], "Say why"),
    ],
)
def test_the_command_says_what_is_wrong(ada, asked, says):
    with pytest.raises(CommandError, match=says):
        call_command("export_person", *asked, "--reason", " ")
