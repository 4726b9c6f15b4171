"""Blood: all orders of the unit, drafting and sending them, the order sheet, what is coming, and looking back."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from patients.models import Patient
from programme.core import access, receipts
from programme.core.handing_over import hand_over
from programme.core.look import site_now
from programme.core.models import EditedMeanwhile
from programme.supply.charts import draw_flow, draw_weeks
from programme.supply.forms.spans import DaysForm
from programme.supply.pdf import order_sheet_pdf
from programme.supply.queries.coming import weeks_of
from programme.supply.queries.ends import units_in_span
from programme.supply.queries.foreseen import foreseen
from programme.supply.queries.orders import blood_page
from programme.supply.queries.tracing import of_donation, of_person, recipients, without_number
from programme.supply.services.orders import draft_orders
from programme.supply.services.sending import send_orders
from programme.supply.tables import demand_csv, order_sheet_csv
from programme.supply.tasks import foresee_demand_of
from sessions.day.numeric.donation_number import BETWEEN, LENGTH, BadCode, read_number

REFUSED = (ValidationError, EditedMeanwhile, receipts.BadReceipt)


@access.needs("see.blood")
@require_safe
def blood(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    demand = foreseen(request.user.site, now)
    units = units_in_span(request.user.site, *DaysForm({}, today=now.date()).days())
    weeks = [(week.low, week.middle, week.high, week.all_booked) for week in demand.weeks]
    context = {
        "page": blood_page(request.user.site, now),
        "foreseen": demand,
        "picture": draw_weeks(weeks),
        "units": units,
        "flow": draw_flow(units.flow),
        "receipt": receipts.new_key(),
        "nav": "blood",
    }
    return render(request, "supply/blood.html", context)


@access.needs("change.blood_orders")
@require_POST
def foresee(request: access.SignedIn) -> HttpResponse:
    """Have demand reckoned now, by a worker where there is one."""

    def do() -> str:
        if hand_over(foresee_demand_of, request.user.site.pk):
            done = "Demand is reckoned again from what is known now; the page shows it once it is done."
            messages.success(request, done)
        else:
            messages.error(request, "Demand could not be reckoned just now: try again in a minute. It is each night.")
        return reverse("supply:blood")

    return _once(request, "reckon demand", do)


@access.needs("see.blood")
@require_safe
def demand_as_table(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    text = demand_csv(foreseen(request.user.site, now))
    return sent_file(text.encode(), "text/csv; charset=utf-8", f"blood-demand-{now:%Y%m%d}.csv", "attachment")


@access.needs("change.blood_orders")
@require_POST
def draft(request: access.SignedIn) -> HttpResponse:
    now = timezone.now()

    def do() -> str:
        found = draft_orders(site=request.user.site, actor=request.user, at=now)
        messages.success(request, f"Orders drafted: {len(found.orders)}.")
        for booking, why in found.left:
            messages.error(request, f"{booking.patient.shown_name}, {booking.on:%d %b}: not drafted, {why}")
        return reverse("supply:blood")

    return _once(request, "draft blood orders", do)


@access.needs("change.blood_orders")
@require_POST
def send(request: access.SignedIn) -> HttpResponse:
    now = timezone.now()
    numbers = [int(text) for text in request.POST.getlist("number") if text.isdecimal()]

    def do() -> str:
        sent = send_orders(site=request.user.site, numbers=numbers, actor=request.user, at=now)
        messages.success(request, f"Orders marked as sent: {len(sent)}. The order sheet holds them.")
        return reverse("supply:blood")

    return _once(request, "send blood orders", do)


def _once(request: access.SignedIn, action: str, do: Callable[[], str]) -> HttpResponse:
    """Write once for the form's key; what is refused is said on the page."""
    try:
        key = request.POST.get("receipt", "")
        return redirect(receipts.once(key=key, actor=request.user, at=timezone.now(), action=action, do=do))
    except REFUSED as error:
        words = error.messages if isinstance(error, ValidationError) else [str(error)]
        messages.error(request, " ".join(words))
    return redirect(reverse("supply:blood"))


@access.needs("see.blood")
@require_safe
def sheet_on_paper(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    lines = blood_page(request.user.site, now).sheet
    user = request.user
    paper = order_sheet_pdf(lines, unit=user.site.name, printed_by=user.full_name, printed_at=now)
    return sent_file(paper, "application/pdf", f"blood-orders-{now:%Y%m%d}.pdf", "inline")


@access.needs("see.blood")
@require_safe
def sheet_as_table(request: access.SignedIn) -> HttpResponse:
    now = site_now(request.user)
    text = order_sheet_csv(blood_page(request.user.site, now).sheet)
    return sent_file(text.encode(), "text/csv; charset=utf-8", f"blood-orders-{now:%Y%m%d}.csv", "attachment")


def sent_file(content: bytes, kind: str, name: str, how: str) -> HttpResponse:
    return HttpResponse(content, content_type=kind, headers={"Content-Disposition": f'{how}; filename="{name}"'})


@access.needs("see.blood")
@require_safe
def units_to_their_end(request: access.SignedIn) -> HttpResponse:
    """Every unit that came in on the days asked for, as a flow and one by one."""
    form = DaysForm(request.GET, today=site_now(request.user).date())
    units = units_in_span(request.user.site, *form.days())
    context = {"form": form, "units": units, "flow": draw_flow(units.flow), "nav": "blood"}
    return render(request, "supply/ends.html", context)


@access.needs("see.blood")
@require_safe
def coming(request: access.SignedIn) -> HttpResponse:
    page = blood_page(request.user.site, site_now(request.user))
    return render(request, "supply/coming.html", {"weeks": weeks_of(page.lines), "nav": "blood"})


@access.needs("see.blood")
@require_safe
def trace(request: access.SignedIn) -> HttpResponse:
    """Everybody who had blood of one donation; a number of 13 characters is taken without its check character too.

    Whoever asks is written down as having looked at each person whom the answer names.
    """
    asked, fault, found = request.GET.get("number", "").strip(), "", None
    if asked:
        bare = BETWEEN.sub("", asked).upper()
        try:
            number = bare if len(bare) == LENGTH else read_number(asked)
            found = of_donation(request.user.site, number)
        except BadCode as error:
            fault = str(error)
    for patient_key in dict.fromkeys(one.patient_key for one in found or ()):
        access.note_look(request, site_key=request.user.site_id, patient_key=patient_key)
    context = {"asked": asked, "fault": fault, "found": found, "people": recipients(found or ()), "nav": "blood"}
    return render(request, "supply/trace.html", context)


@access.needs("see.blood")
@require_safe
def person(request: access.SignedIn, patient_ref: str) -> HttpResponse:
    patient = access.open_patient(request, Patient.objects.select_related("site"), patient_ref)
    context = {"patient": patient, "found": of_person(patient), "left": without_number(patient), "nav": "blood"}
    return render(request, "supply/person.html", context)
