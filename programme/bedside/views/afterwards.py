"""What is entered after a session: sample and results, going home, volumes put right, Hb to be checked again."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.http import HttpResponse
from django.urls import reverse

from patients.models import LabResult
from programme.bedside.forms.ending import (
    MISSING_VOLUME,
    HomeForm,
    RecheckForm,
    SampleForm,
    VolumeForm,
    shown_moment,
)
from programme.bedside.numeric.words import entry_words
from programme.bedside.views.automated import put_totals_right
from programme.bedside.views.ending import filled
from programme.bedside.views.opening import open_session
from programme.core import access, look
from programme.core.look import site_now
from programme.core.settings_of_site import site_settings
from programme.worklist.views.people import blank, both_ways
from programme.worklist.views.saving import FormPage, answer
from sessions.day.numeric.checks import Sample
from sessions.day.numeric.entries import DISPOSAL, LEAFLET, OBSERVATION, TIME
from sessions.day.queries import after_results, ending_of, sample_of, tally_of
from sessions.day.services import afterwards
from sessions.day.services.entering import ENDED, add_entry
from sessions.models import ExchangeSession


def after_of(exchange_session: ExchangeSession) -> str:
    return reverse("bedside:after", args=[exchange_session.patient.patient_ref, exchange_session.pk])


@access.needs("change.run")
@both_ways
def sample(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session, now = open_session(request, patient_ref, key), site_now(request.user)
    settings = site_settings(exchange_session.patient.site, now)
    earlier = sample_of(ending_of(exchange_session, at=now, settings=settings))
    known = after_results(exchange_session)
    without = no_longer_entered(request, exchange_session, earlier)
    form = SampleForm(
        **filled(request, exchange_session, now, **sample_shown(exchange_session, earlier)),
        follows_hbc=exchange_session.patient.follows_hbs_and_hbc, known=list(known), without=without,
    )  # fmt: skip

    def save(at: datetime) -> str:
        save_sample(request, exchange_session, form, earlier, at)
        return after_of(exchange_session)

    there, words = after_of(exchange_session), title_and_lede(settings, closed=bool(without))
    page = FormPage(*words, "Record it", there, [form], exchange_session.patient, at_chair=True)
    page.extra = {"found": known_words(known)}
    return answer(request, page, action="record after-sample", save=save, done="Recorded.")


def no_longer_entered(
    request: access.SignedIn, exchange_session: ExchangeSession, earlier: Sample | None
) -> tuple[str, ...]:
    """The fields of the sample that a closed session takes no more; when it was taken belongs to the results too.

    What somebody typed before it was closed is not left out: it is refused in words, and kept.
    """
    if exchange_session.state in ENDED or "place" in request.POST:
        return ()
    return ("place", "from_return") if earlier is None else ("taken", "place", "from_return")


def title_and_lede(settings: Mapping[str, float], *, closed: bool) -> tuple[str, str]:
    if closed:
        return "Results that came later", "The session is closed: results are added to it, and nothing else."
    wait = f"{settings['after_sample_wait_min']:.0f} min after the end"
    return "Sample after the session", f"From a fresh place if there is one, and not before {wait}."


def known_words(known: Mapping[str, LabResult]) -> str:
    """Say which results are recorded already, and how a wrong one is put right; nothing where there is none."""
    said = look.hb_words(", ".join(f"{row.get_analyte_display()} {row.value:g} {row.unit}" for row in known.values()))
    return f"Recorded already: {said}. A wrong one is corrected in the person’s records." if said else ""


def sample_shown(exchange_session: ExchangeSession, earlier: Sample | None) -> dict[str, object]:
    """Return what the form of the sample shows at first: the sample as entered."""
    if earlier is None:
        return {}
    moment = shown_moment(earlier.taken_at, ZoneInfo(exchange_session.patient.site.time_zone), exchange_session.on)
    return {"taken": moment, "place": earlier.place, "from_return": earlier.from_return}


@transaction.atomic
def save_sample(
    request: access.SignedIn, exchange_session: ExchangeSession, form: SampleForm, earlier: Sample | None, at: datetime
) -> None:
    """Record the sample where it is new or told differently, and its results where there are any: both or neither."""
    given = form.cleaned_data
    if "place" not in given:  # of a closed session
        afterwards.record_after_results(
            exchange_session=exchange_session, values=form.values(), method=given.get("method") or "",
            taken_at=given.get("taken"), actor=request.user, at=at,
        )  # fmt: skip
        return
    told = Sample(given["taken"], given["place"].strip(), given["from_return"])
    if told != earlier:
        afterwards.record_sample(
            exchange_session=exchange_session, taken_at=told.taken_at, place=told.place, from_return=told.from_return,
            key=given["receipt"], actor=request.user, at=at,
        )  # fmt: skip
    if values := form.values():
        afterwards.record_after_results(
            exchange_session=exchange_session, values=values, method=given.get("method") or "",
            taken_at=told.taken_at, actor=request.user, at=at,
        )  # fmt: skip


@access.needs("change.run")
@both_ways
def going_home(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    form = HomeForm(**blank(request, site_now(request.user).date()))

    def save(at: datetime) -> str:
        save_home(request, exchange_session, form, at)
        return after_of(exchange_session)

    lede = "What is left empty stays open."
    there = after_of(exchange_session)
    page = FormPage("Before going home", lede, "Record it", there, [form], exchange_session.patient, at_chair=True)
    return answer(request, page, action="going home", save=save, done="Recorded.")


@transaction.atomic
def save_home(request: access.SignedIn, exchange_session: ExchangeSession, form: HomeForm, at: datetime) -> None:
    """Keep what was entered, each as an entry of its own: all of it or none."""
    given = form.cleaned_data
    said = [
        (OBSERVATION, form.observation()),
        (DISPOSAL, {"words": given["disposal"]} if given["disposal"] else {}),
        (LEAFLET, {"given": True} if given["leaflet"] else {}),
    ]
    for kind, body in said:
        if body:
            add_entry(
                exchange_session=exchange_session, key=f"{given['receipt'][:50]}-{kind}", kind=kind, body=body,
                actor=request.user, at=at,
            )  # fmt: skip


@access.needs("change.run")
@both_ways
def put_right(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session, now = open_session(request, patient_ref, key), site_now(request.user)
    totals = tally_of(exchange_session).totals
    if totals is not None:
        return put_totals_right(request, exchange_session, totals, there=after_of(exchange_session))
    form = VolumeForm(**filled(request, exchange_session, now), entries=volumes_of(exchange_session, now))

    def save(at: datetime) -> str:
        save_volume(request, exchange_session, form, at)
        return after_of(exchange_session)

    lede = "The wrong entry stays to be read, and no longer counts; steps and totals are written anew."
    there = after_of(exchange_session)
    page = FormPage("Put a volume right", lede, "Put it right", there, [form], exchange_session.patient, at_chair=True)
    return answer(request, page, action="put volume right", save=save, done="Put right.")


def volumes_of(exchange_session: ExchangeSession, now: datetime) -> list[tuple[str, str]]:
    """Return the volume entries that count, as choices."""
    zone = now.tzinfo
    return [
        (
            str(one.number),
            f"{one.at.astimezone(zone):%H:%M} "
            + entry_words("moved", {"step": one.step, "in_ml": one.in_ml, "out_ml": one.out_ml, "unit": one.unit}),
        )
        for one in tally_of(exchange_session).moved
    ]


@transaction.atomic
def save_volume(request: access.SignedIn, exchange_session: ExchangeSession, form: VolumeForm, at: datetime) -> None:
    """Put volumes or time right, or add what is missing; the time first, for it names the entry that is there."""
    given = form.cleaned_data
    said: dict[str, Any] = {"exchange_session": exchange_session, "actor": request.user, "at": at, "why": given["why"]}
    if given["entry"] == MISSING_VOLUME:
        afterwards.add_volume(
            **said, in_ml=given["in_ml"], out_ml=given["out_ml"], happened_at=given["happened"], key=given["receipt"]
        )
        return
    number = int(given["entry"])
    if given["happened"]:
        body = {"number": number, "happened_at": given["happened"].isoformat()}
        add_entry(**said, key=f"{given['receipt'][:50]}-time", kind=TIME, body=body)
    if given["in_ml"] is not None:
        afterwards.correct_volume(
            **said, number=number, in_ml=given["in_ml"], out_ml=given["out_ml"], key=given["receipt"]
        )


@access.needs("change.follow_up")
@both_ways
def recheck(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session, today = open_session(request, patient_ref, key), site_now(request.user).date()
    form = RecheckForm(**blank(request, today, due_on=today + timedelta(days=1)))

    def save(at: datetime) -> str:
        afterwards.open_recheck(
            exchange_session=exchange_session, due_on=form.cleaned_data["due_on"],
            words=form.cleaned_data["words"] or "Hb after the session was over its limit", actor=request.user, at=at,
        )  # fmt: skip
        return after_of(exchange_session)

    lede = "On that day the person is in the list, until somebody says what came of it."
    there = after_of(exchange_session)
    page = FormPage("Check Hb again", lede, "Let it fall due", there, [form], exchange_session.patient, at_chair=True)
    return answer(request, page, action="open recheck", save=save, done="It is put on the list.")
