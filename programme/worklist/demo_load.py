"""Storing the invented programme: its past as a history file, and the rest through the same services as the pages."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction

from patients import goals
from patients import services as people
from patients.models import Analyte, Patient
from programme.core.models import Role, Site, User
from programme.core.services import add_site
from programme.worklist.demo import DemoPerson, last_visit, make_course, read_scenario
from programme.worklist.demo_clinic import note_story, tell_clinic
from sessions import services as exchange
from sessions.facts import rebuild_facts
from sessions.history.bring_in import bring_in
from sessions.models import ExchangeSession, Method

WORD_LIST = Path(settings.BASE_DIR) / "fixtures" / "demo_words.txt"
SITE_CODE, SITE_NAME = "saltmarsh", "Saltmarsh Day Unit"
SIGN_INS = (
    ("a.fenwick", "A. Fenwick", Role.NURSE),
    ("i.calloway", "Dr I. Calloway", Role.CONSULTANT),
    ("m.orchard", "M. Orchard", Role.COORDINATOR),
    ("d.hallam", "D. Hallam", Role.ADMINISTRATOR),
)


class NotForThisDatabase(Exception):
    """Demo sign-ins exist only in the embedded database of one machine."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """Whether the demo was loaded now, and where its sign-ins are written."""

    is_new: bool
    sign_ins: Path


@transaction.atomic
def load_demo(*, today: date, at: datetime, vendor: str) -> Loaded:
    """Load the invented unit once; a second call changes nothing. Refuses any database but SQLite."""
    if vendor != "sqlite":
        raise NotForThisDatabase("The demo and its sign-ins are refused on PostgreSQL, where real people's data live.")
    path = settings.VAR_DIR / "demo_sign_ins.txt"
    if Site.objects.filter(code=SITE_CODE).exists():
        return Loaded(False, path)
    site = add_site(code=SITE_CODE, name=SITE_NAME, at=at)
    users = _add_users(site, path)
    scenario = read_scenario()
    course = make_course(scenario, today)
    bring_in(site=site, data=course.history, actor=users[Role.NURSE], at=at)
    found = {patient.patient_ref: patient for patient in Patient.objects.of_site(site)}
    for person in scenario:
        _tell(found[person.ref], person, users, today=today, at=at)
        tell_clinic(found[person.ref], users, today=today, at=at)
    for ref, (on, hb, hbs, hba) in course.after_reaction.items():
        _seen_unwell(found[ref], on, hb, hbs, hba, users[Role.NURSE], at)
    exchange.compare_forms(site=site, as_of=today, at=at, n_origins=1)
    return Loaded(True, path)


def _add_users(site: Site, path: Path) -> dict[str, User]:
    """Four people who sign in, with passwords made now and written where only this machine's user reads them."""
    words = WORD_LIST.read_text().split()
    users: dict[str, User] = {}
    lines = []
    for username, full_name, role in SIGN_INS:
        password = "-".join(secrets.choice(words) for _ in range(4))
        users[role] = User.objects.create_user(
            username, password, full_name=full_name, role=role, site=site, is_demo=True
        )
        lines.append(f"  {Role(role).label:20} {username:12} {password}\n")
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    path.touch(mode=0o600)
    path.write_text("".join(lines))
    return users


def _tell(patient: Patient, person: DemoPerson, users: dict[str, User], *, today: date, at: datetime) -> None:
    """What a history file cannot hold: name, genotype, needs, clinic day, and the person's story."""
    nurse, consultant = users[Role.NURSE], users[Role.CONSULTANT]
    details = people.PersonDetails(
        sex=person.sex,
        family_name=person.family,
        given_name=person.given,
        birth_date=patient.birth_date,
        genotype=person.type,
        untransfused_pct=person.hbs0,
        language="English",
        vascular_access=ACCESS.get(person.story, "both arms, 18 G"),
        flag_brain=person.story in ("drug_stopped", "child"),
        pregnant_since=today - timedelta(days=80) if person.story == "pregnant" else None,
    )
    people.change_patient(patient=patient, version=patient.version, details=details, actor=nurse, at=at)
    _set_needs(patient, person, nurse, at)
    first = patient.exchange_sessions.order_by("on").values_list("on", flat=True)[0]
    last = last_visit(person, today)
    clinic_days = f"{last.weekday()},{(last.weekday() + 2) % 5}"
    looked_at = today - timedelta(days=9) if person.ref in REVIEW_OVERDUE else None
    figures = goals.GoalFigures(hbs_ceiling_pct=person.ceiling, clinic_days=clinic_days, review_on=looked_at)
    reason = CEILING_REASONS.get(person.story, "as agreed when the programme began")
    reviewed = today - timedelta(days=60 + 5 * (int(person.ref[-2:]) % 50))
    for since, why in ((first, reason), (max(first, reviewed), "yearly review: goals kept")):
        goals.set_goals(patient=patient, since=since, figures=figures, reason=why, actor=consultant, at=at)
    story = STORIES.get(person.story)
    if story is not None:
        story(patient, users, today, at)


def _set_needs(patient: Patient, person: DemoPerson, nurse: User, at: datetime) -> None:
    group, *avoid = person.needs.split()
    people.set_needs(
        patient=patient,
        version=None,
        actor=nurse,
        at=at,
        abo=group[:-1],
        rhd=group[-1],
        antigens_to_avoid=", ".join(avoid),
    )
    for found in filter(None, (part.strip() for part in person.antibodies.split(","))):
        name, year = found.rsplit(" ", 1)
        people.add_antibody(patient=patient, name=name, found_year=int(year), actor=nurse, at=at)


def _seen_unwell(patient: Patient, on: date, hb: float, hbs: float, hba: float, nurse: User, at: datetime) -> None:
    """The results of the day on which the person with the reaction came back."""
    taken = datetime.combine(on, time(10, 40), tzinfo=ZoneInfo(patient.site.time_zone))
    for analyte, value in ((Analyte.HB, hb), (Analyte.HBS, hbs), (Analyte.HBA, hba)):
        people.record_result(patient=patient, analyte=analyte, value=value, taken_at=taken, actor=nurse, at=at)
    exchange.note_haemolysis_sign(patient=patient, on=on, sign="dark_urine", note="for two days", actor=nurse, at=at)


def _drug_stopped(patient: Patient, users: dict[str, User], today: date, at: datetime) -> None:
    _note(patient.exchange_sessions.order_by("-on")[3], "hydroxycarbamide stopped this week")
    note_story(patient, users, today=today, at=at)


def _missed(patient: Patient, users: dict[str, User], today: date, at: datetime) -> None:
    latest = patient.exchange_sessions.order_by("-on")[0]
    _note(latest, "asked for the usual day, did not come; could not be reached by telephone")


def _wrong_tube(patient: Patient, users: dict[str, User], today: date, at: datetime) -> None:
    row = patient.exchange_sessions.order_by("-on")[2]
    _note(row, "HbS before does not fit: another person's tube?")


def _elsewhere(patient: Patient, users: dict[str, User], today: date, at: datetime) -> None:
    exchange.record_other_transfusion(
        patient=patient,
        on=today - timedelta(days=6),
        elsewhere=True,
        amount_known=False,
        note="admitted while travelling; transfusion not known",
        actor=users[Role.NURSE],
        at=at,
    )


def _by_machine(patient: Patient, users: dict[str, User], today: date, at: datetime) -> None:
    """Say of the past that a machine did it, which a history file cannot."""
    for row in patient.exchange_sessions.all():
        row.method = Method.AUTOMATED
        row.save_changes(["method"])
    rebuild_facts([patient.pk], at)


def _note(row: ExchangeSession, words: str) -> None:
    row.note = words
    row.save_changes(["note"])


REVIEW_OVERDUE = ("SM-020",)
STORIES = {
    "drug_stopped": _drug_stopped,
    "missed": _missed,
    "wrong_tube": _wrong_tube,
    "elsewhere": _elsewhere,
    "machine": _by_machine,
}
ACCESS = {"wrong_tube": "one arm only, 18 G", "child": "both arms, 22 G"}
CEILING_REASONS = {
    "ceiling_50": "pain prevention only, no brain involvement; reviewed each year with the family doctor",
    "child": "abnormal transcranial Doppler, primary prevention",
    "newcomer": "new to the programme after a second stay for chest syndrome",
}
