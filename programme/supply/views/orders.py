"""One order: what is done with it and with its units. What is refused leaves the page as it was typed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from patients.services import local_day
from programme.core import access, receipts
from programme.core.look import site_now
from programme.core.models import EditedMeanwhile, Site
from programme.supply.forms.orders import (
    GROUPS,
    AnswerForm,
    ArriveForm,
    OrderForm,
    SendForm,
    TellForm,
    UnitForm,
    WhyForm,
)
from programme.supply.models import BloodOrder, SuppliedUnit
from programme.supply.pdf import order_sheet_pdf
from programme.supply.queries.order import order_of, order_page
from programme.supply.services import orders, sending, units
from programme.supply.views.blood import sent_file


def _open(request: access.SignedIn, order_number: int) -> BloodOrder:
    """Return an order of the own unit, and write down who looked at the person it is for."""
    order = order_of(request.user.site, order_number)
    if order is None:
        raise Http404("No order of this number at your unit.")
    access.note_look(request, site_key=order.site_id, patient_key=order.patient_id)
    return order


@access.needs("see.blood")
@require_safe
def order(request: access.SignedIn, order_number: int) -> HttpResponse:
    return _show(request, _open(request, order_number))


def _show(request: access.SignedIn, row: BloodOrder, *, refused: tuple[str, ...] = (), what: str = "") -> HttpResponse:
    page = order_page(row, site_now(request.user))
    typed = {what: request.POST} if refused else {}
    context = {"page": page, "receipt": receipts.new_key(), "refused": refused, "typed": typed}
    context |= {"groups": GROUPS[1:], "nav": "blood"}
    return render(request, "supply/order.html", context)


@access.needs("see.blood")
@require_safe
def order_on_paper(request: access.SignedIn, order_number: int) -> HttpResponse:
    now, user = site_now(request.user), request.user
    line = order_page(_open(request, order_number), now).line
    paper = order_sheet_pdf([line], unit=user.site.name, printed_by=user.full_name, printed_at=now)
    return sent_file(paper, "application/pdf", f"blood-order-{order_number}.pdf", "inline")


@dataclass(frozen=True, slots=True)
class Act:
    """Something done with an order: its form, its words when it is done, and the service that does it."""

    form: type[OrderForm]
    done: str
    do: Callable[[BloodOrder, Any, dict[str, Any]], object]


def _send(row: BloodOrder, form: Any, who: dict[str, Any]) -> object:
    return sending.send_order(order=row, late_reason=form.cleaned_data["late_reason"], **who)


def _answer(row: BloodOrder, form: Any, who: dict[str, Any]) -> object:
    given = form.cleaned_data
    return orders.answer_order(
        order=row,
        units=given["units"],
        words=given["words"],
        substitution=given["substitution"],
        held_until=form.held_until(ZoneInfo(row.site.time_zone)),
        **who,
    )


def _renew(row: BloodOrder, form: Any, who: dict[str, Any]) -> object:
    return orders.renew_order(order=row, why=form.cleaned_data["why"], **who)


def _tell(row: BloodOrder, form: Any, who: dict[str, Any]) -> object:
    return orders.tell_order(order=row, words=form.cleaned_data["words"], **who)


def _release(row: BloodOrder, form: Any, who: dict[str, Any]) -> object:
    return orders.release_order(order=row, why=form.cleaned_data["why"], **who)


def _arrive(row: BloodOrder, form: Any, who: dict[str, Any]) -> object:
    until = form.held_until(ZoneInfo(row.site.time_zone))
    return units.take_in(order=row, labels=form.labels(), words=form.cleaned_data["words"], held_until=until, **who)


def _again(row: BloodOrder, form: Any, who: dict[str, Any]) -> object:
    booking = orders.standing_booking(row, at=who["at"])
    if booking is None:
        raise ValidationError("The booking does not stand any more: book first.")
    return orders.draft_order(booking=booking, actor=who["actor"], at=who["at"])


ACTS = {
    "again": Act(OrderForm, "A new order is drafted: look for it among all orders.", _again),
    "send": Act(SendForm, "Marked as sent.", _send),
    "answer": Act(AnswerForm, "The answer is recorded.", _answer),
    "renew": Act(WhyForm, "The order is in line with booking, plan and needs. Tell the blood bank.", _renew),
    "tell": Act(TellForm, "It is recorded that the blood bank was told; its answer is awaited.", _tell),
    "release": Act(WhyForm, "Released.", _release),
    "arrive": Act(ArriveForm, "The units are recorded.", _arrive),
}


@access.needs("change.blood_orders")
@require_POST
def act(request: access.SignedIn, order_number: int, what: str) -> HttpResponse:
    row, wanted = _open(request, order_number), ACTS.get(what)
    if wanted is None:
        raise Http404("No such thing is done with an order.")
    form = wanted.form(request.POST)
    return _answered(request, row, form, what, wanted.done, lambda who: wanted.do(row, form, who))


def _answered(
    request: access.SignedIn,
    row: BloodOrder,
    form: OrderForm,
    what: str,
    done: str,
    do: Callable[[dict[str, Any]], object],
) -> HttpResponse:
    """Do it once, and go to the order; or show it again with why not, and all that was typed."""
    refused = _save(request, row, form, what, do) if form.is_valid() else form.faults()
    if refused:
        return _show(request, _open(request, row.number), refused=tuple(refused), what=what)
    messages.success(request, done)
    return redirect(reverse("supply:order", args=[row.number]))


def _save(
    request: access.SignedIn, row: BloodOrder, form: OrderForm, what: str, do: Callable[[dict[str, Any]], object]
) -> list[str]:
    """Write once for the form's key; return why not, or nothing."""
    now, given = timezone.now(), form.cleaned_data
    who = {"version": given["version"], "actor": request.user, "at": now}

    def once() -> str:
        do(who)
        return reverse("supply:order", args=[row.number])

    try:
        receipts.once(key=given["receipt"], actor=request.user, at=now, action=f"blood order {what}"[:60], do=once)
    except ValidationError as error:
        return list(error.messages)
    except (EditedMeanwhile, receipts.BadReceipt) as error:
        return [str(error)]
    return []


@access.needs("change.blood_orders")
@require_POST
def unit(request: access.SignedIn, order_number: int, key: int) -> HttpResponse:
    row = _open(request, order_number)
    found = get_object_or_404(SuppliedUnit.objects.select_related("order__site"), pk=key, order=row)
    form = UnitForm(request.POST)
    return _answered(request, row, form, f"unit{key}", "Recorded.", lambda who: _do_with(found, form, who))


def _do_with(found: SuppliedUnit, form: UnitForm, who: dict[str, Any]) -> object:
    what, why = form.cleaned_data["act"], form.cleaned_data["why"]
    if what == "issued":
        return units.issue_unit(unit=found, **who)
    if what == "given":
        return units.give_unit(unit=found, **who)
    given = form.cleaned_data
    back_at = _today_at(given["back_at"], found.order.site, who["at"])
    return units.put_away_unit(unit=found, state=what, why=why, back_at=back_at, decided=given["decided"], **who)


def _today_at(clock: time | None, site: Site, at: datetime) -> datetime | None:
    """Return that hour of the day; one that is still far off was of the evening before."""
    if clock is None:
        return None
    found = datetime.combine(local_day(at, site), clock, tzinfo=ZoneInfo(site.time_zone))
    return found - timedelta(days=1) if found - at > timedelta(hours=12) else found
