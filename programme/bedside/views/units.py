"""Units at the chair: the ledger, and one form for each thing that is done with a unit."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.functional import SimpleLazyObject
from django.views.decorators.http import require_safe

from programme.bedside.forms.units import (
    CheckForm,
    EndUnitForm,
    GivenUnitForm,
    PutAwayForm,
    StartUnitForm,
    TakeBackForm,
    UnitForm,
)
from programme.bedside.queries.units import UnitsPage, colleagues_of, group_codes, units_of
from programme.bedside.views.ending import filled
from programme.bedside.views.opening import open_session
from programme.core import access
from programme.core.look import site_now
from programme.core.models import User
from programme.core.receipts import new_key
from programme.core.services import prove
from programme.core.settings_of_site import site_settings
from programme.worklist.forms.fields import EdgeForm
from programme.worklist.forms.reading import TypedMoment
from programme.worklist.views.people import blank, both_ways
from programme.worklist.views.saving import FormPage, answer
from sessions.day import rows
from sessions.day.queries import is_automated
from sessions.day.services.giving import end_unit, put_away, start_unit, take_back
from sessions.day.services.late_units import against_given, record_given_unit
from sessions.day.services.units import add_unit, check_unit, record_refusal
from sessions.models import DonationUnit, ExchangeSession

TEMPLATE = "bedside/unit_form.html"
GIVEN_LEDE = (
    "Only for a unit that was given and is missing here. Nothing about it is refused for not matching: it is said, and "
    "kept."
)
REPORT_WORDS = "Tell the prescriber and the transfusion laboratory now, and report it as your unit does."
NEAR_MISS = ("group", "negative", "hbs", "expiry", "number", "wristband")


@access.needs("see.run")
@require_safe
def units(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    now = site_now(request.user)
    page = units_of(exchange_session, now=now)
    context = {"units": page, "patient": exchange_session.patient, "exchange_session": exchange_session}
    return render(request, "bedside/units.html", context | {"now": now, "key": new_key()})


@access.needs("change.run")
@both_ways
def add(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    now = site_now(request.user)
    shown = units_of(exchange_session, now=now)
    form = UnitForm(
        **blank(request, now.date()), needed=shown.needed, groups=group_codes(exchange_session.patient.site, now)
    )
    stopped: list[str] = []

    def save(at: datetime) -> str:
        try:
            out = moment_of(form, "out_of_storage", exchange_session, now)
            unit = add_unit(
                exchange_session=exchange_session, label=form.label(), out_of_storage_at=out, actor=request.user, at=at
            )
        except ValidationError as error:
            stopped.extend(near_misses(error))
            raise
        return reverse("bedside:unit_check", args=[patient_ref, key, unit.place])

    lede = "It is checked afterwards, by two people." if shown.two_check else "It is checked afterwards."
    page = page_of(exchange_session, "Bring a unit to the chair", lede, "Match it", form, {"units": shown})
    response = answer(request, page, action="bring unit", save=save, done="It fits this person. Now check it.")
    keep_refusal(request, exchange_session, form, stopped)
    return response


@access.needs("change.run")
@both_ways
def given(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session = open_session(request, patient_ref, key)
    now = site_now(request.user)
    shown = units_of(exchange_session, now=now)
    form = GivenUnitForm(
        **filled(request, exchange_session, now), needed=shown.needed, by_machine=is_automated(exchange_session),
        groups=group_codes(exchange_session.patient.site, now),
    )  # fmt: skip

    def save(at: datetime) -> str:
        told = form.cleaned_data
        unit = record_given_unit(
            exchange_session=exchange_session, label=form.label(),
            out_of_storage_at=moment_of(form, "out_of_storage", exchange_session, now),
            started_at=told["started"], ended_at=told["ended"], in_ml=told.get("given_ml"), why=told["why"],
            checked_by=told["checked_by"] or "", key=told["receipt"], actor=request.user, at=at,
        )  # fmt: skip
        for words in against_given(unit):
            messages.warning(request, f"{words} {REPORT_WORDS}")
        return reverse("bedside:after", args=[patient_ref, key])

    page = page_of(exchange_session, "Record a unit that was given", GIVEN_LEDE, "Record it", form, {"units": shown})
    return answer(request, page, action="record given unit", save=save, done="Recorded. Totals are written anew.")


def moment_of(form: EdgeForm, name: str, exchange_session: ExchangeSession, now: datetime) -> datetime | None:
    """Return the moment typed in a field; a time that is still to come today was yesterday evening."""
    typed = form.cleaned_data.get(name)
    if not isinstance(typed, TypedMoment):
        return None
    try:
        return typed.about(now, ZoneInfo(exchange_session.patient.site.time_zone))
    except ValueError as error:
        raise ValidationError({name: str(error)}) from error


def near_misses(error: ValidationError) -> list[str]:
    """Return what a wrong unit or a wrong person was stopped with; nothing for other faults of a form."""
    named = error.message_dict if hasattr(error, "error_dict") else {}
    return [words for field in NEAR_MISS for words in named.get(field, ())]


def keep_refusal(
    request: access.SignedIn, exchange_session: ExchangeSession, form: UnitForm | CheckForm, stopped: list[str]
) -> None:
    """Keep in the trail that a unit was stopped, once the form that it stood in has been rolled back."""
    if stopped:
        record_refusal(
            exchange_session=exchange_session, donation_number=form.cleaned_data.get("number") or "",
            sentences=stopped, actor=request.user, at=timezone.now(),
        )  # fmt: skip


def page_of(
    session: ExchangeSession, title: str, lede: str, submit: str, form: EdgeForm, around: dict[str, Any]
) -> FormPage:
    back = reverse("bedside:units", args=[session.patient.patient_ref, session.pk])
    extra = {"line": None, "exchange_session": session, **around}
    return FormPage(title, lede, submit, back, [form], patient=session.patient, extra=extra, template=TEMPLATE)


class OneUnit:
    """What the pages of one unit begin with: the session, the unit, and where they lead back to.

    All that stands around the form is read once it is shown: one touch that is saved needs none of it.
    """

    def __init__(self, request: access.SignedIn, patient_ref: str, key: int, place: int) -> None:
        self.request = request
        self.exchange_session = open_session(request, patient_ref, key)
        self.now = site_now(request.user)
        unit = rows.UNIT.first(session=self.exchange_session.pk, place=place)
        if unit is None:
            raise Http404("This session has no such unit.")
        self.unit = unit
        self.unit.exchange_session = self.exchange_session
        # What is started or ended from the bedside page leads back to it.
        page = "bedside:run" if request.POST.get("to") == "run" else "bedside:units"
        self.there = reverse(page, args=[patient_ref, key])

    @cached_property
    def settings(self) -> dict[str, float]:
        return site_settings(self.exchange_session.patient.site, self.now)

    @cached_property
    def shown(self) -> UnitsPage:
        return units_of(self.exchange_session, now=self.now)

    def blank(self) -> dict[str, Any]:
        return blank(self.request, self.now.date(), version=str(self.unit.version))

    def page(self, title: str, lede: str, submit: str, form: EdgeForm) -> FormPage:
        place, shown = self.unit.place, SimpleLazyObject(lambda: self.shown)
        line = SimpleLazyObject(lambda: self.shown.line(place))
        around = {"units": shown, "line": line}
        return page_of(self.exchange_session, f"{title} unit {place}", lede, submit, form, around)

    def saver(self, form: EdgeForm, do: Callable[..., DonationUnit], **more: str) -> Callable[[datetime], str]:
        """Return what saves the form: `do` with the unit, the form's key and version, and the named fields."""

        def save(at: datetime) -> str:
            given = form.cleaned_data
            fields = {name: given.get(field) or "" for name, field in more.items()}
            do(
                unit=self.unit, version=int(given["version"] or 0), key=given["receipt"], actor=self.request.user,
                at=at, **fields,
            )  # fmt: skip
            return self.there

        return save


@access.needs("change.run")
@both_ways
def check(request: access.SignedIn, patient_ref: str, key: int, place: int) -> HttpResponse:
    one = OneUnit(request, patient_ref, key, place)
    needs_second = one.settings["checkers_needed"] > 1
    form = CheckForm(**one.blank(), colleagues=lambda: colleagues_of(request.user), needs_second=needs_second)
    lede: Any = SimpleLazyObject(lambda: check_lede(one.unit, request.user, needs_second=needs_second))
    page = one.page("Check", lede, "Sign the check", form)
    second = second_checker(request, page, form)
    stopped: list[str] = []

    def save(at: datetime) -> str:
        given = form.cleaned_data
        try:
            check_unit(
                unit=one.unit, version=int(given["version"] or 0), key=given["receipt"], chair=form.chair(),
                second=second, emergency_reason=given.get("emergency") or "", actor=request.user, at=at,
            )  # fmt: skip
        except ValidationError as error:
            stopped.extend(near_misses(error))
            raise
        return one.there

    response = answer(request, page, action="check unit", save=save, done=f"Unit {place}: the check is signed.")
    keep_refusal(request, one.exchange_session, form, stopped)
    return response


def check_lede(unit: DonationUnit, user: User, *, needs_second: bool) -> str:
    if not needs_second:
        return "At the chair, aloud: person, wristband, unit, tag. One independent check is what this site asks for."
    if unit.first_checker_id is None:
        return "At the chair, aloud, each by themselves: person, wristband, unit, tag."
    if unit.first_checker_id == user.pk:
        return "You made the first check. The second person now checks all of it again, by themselves."
    assert unit.first_checker is not None
    return f"{unit.first_checker.full_name} made the first check. Yours is the second: check all of it again."


def second_checker(request: access.SignedIn, page: FormPage, form: CheckForm) -> User | None:
    """Return who typed their PIN beside the signed-in person; each wrong PIN is recorded before anything is signed."""
    if request.method != "POST" or not page.is_valid() or not form.cleaned_data.get("second"):
        return None
    given = form.cleaned_data
    try:
        return prove(
            username=given["second"], secret=given["secret"], site=request.user.site, actor=request.user,
            at=timezone.now(), instead="sign the check on another tablet with your own sign-in",
        )  # fmt: skip
    except ValidationError as error:
        form.refuse("secret", " ".join(error.messages))
        return None


@access.needs("change.run")
@both_ways
def start(request: access.SignedIn, patient_ref: str, key: int, place: int) -> HttpResponse:
    one = OneUnit(request, patient_ref, key, place)
    form = StartUnitForm(**one.blank())
    slow = f"At most {one.settings['slow_first_ml']:g} mL in its first {one.settings['slow_first_min']:g} min."
    page = one.page("Start", slow, "Start it now", form)
    save = one.saver(form, start_unit, why_late="why_late")
    return answer(request, page, action="start unit", save=save, done=f"Unit {place} is started. {slow}")


@access.needs("change.run")
@both_ways
def end(request: access.SignedIn, patient_ref: str, key: int, place: int) -> HttpResponse:
    one = OneUnit(request, patient_ref, key, place)
    form = EndUnitForm(**one.blank())
    page = one.page("End", "All of it was given, or it is stopped.", "End it now", form)
    save = one.saver(form, end_unit, stopped_why="stopped_why")
    return answer(request, page, action="end unit", save=save, done=f"Unit {place} is ended.")


@access.needs("change.run")
@both_ways
def away(request: access.SignedIn, patient_ref: str, key: int, place: int) -> HttpResponse:
    one = OneUnit(request, patient_ref, key, place)
    form = PutAwayForm(**one.blank(), out_known=one.unit.out_of_storage_at is not None)
    limit = one.settings["unit_return_limit_min"]
    lede = (
        f"A unit of which nothing was given. Returned: back in controlled storage within {limit:g} min of leaving it."
    )
    page = one.page("Put away", lede, "Put it away", form)

    def save(at: datetime) -> str:
        given = form.cleaned_data
        put_away(
            unit=one.unit, version=int(given["version"] or 0), key=given["receipt"], state=given["state"],
            reason=given["reason"], out_at=moment_of(form, "out_of_storage", one.exchange_session, one.now),
            back_at=moment_of(form, "back_at", one.exchange_session, one.now), decided=given["decided"] or "",
            actor=request.user, at=at,
        )  # fmt: skip
        return one.there

    return answer(request, page, action="put unit away", save=save, done=f"Unit {place} is put away.")


@access.needs("change.run")
@both_ways
def back(request: access.SignedIn, patient_ref: str, key: int, place: int) -> HttpResponse:
    one = OneUnit(request, patient_ref, key, place)
    form = TakeBackForm(**one.blank())
    what = "its end" if one.unit.ended_at else "its start"
    page = one.page("Take back", f"For {what}, entered by mistake.", "Take it back", form)
    save = one.saver(form, take_back, reason="reason")
    return answer(request, page, action="take unit back", save=save, done=f"Unit {place}: {what} is taken back.")
