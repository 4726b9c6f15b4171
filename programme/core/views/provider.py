"""Signing in with an account of the hospital: to its provider and back, linking the own one, and out there too."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from programme.core import access, openid, outside, signed_in, time_out
from programme.core.forms import PasswordForm
from programme.core.provider import Provider
from programme.core.sign_ins import prove_outside
from programme.core.views.signing_in import FAULT, enter, page_after, place_of

PROVEN = "account_to_link"
"""In the session of who is signed in and came back from the provider, until they say with their password to link it."""
PROVEN_FOR = timedelta(minutes=10)


def provider() -> Provider:
    """Return the provider; without one its addresses are not found."""
    if settings.OIDC is None:
        raise Http404("Nobody signs in by a provider here.")
    found: Provider = settings.OIDC
    return found


@access.open_to_all
@never_cache
@require_safe
def to_provider(request: HttpRequest) -> HttpResponse:
    """Lead to the provider: to sign in, or to link the account for who is signed in.

    By a link and not a form: the content policy lets forms lead nowhere else, not even on a way round.
    """
    named, then = provider(), request.GET.get("next", "")
    if not url_has_allowed_host_and_scheme(then, {request.get_host()}, require_https=request.is_secure()):
        then = ""
    try:
        back = request.build_absolute_uri(reverse("core:from_provider"))
        return openid.begin(request, named, back=back, at=timezone.now(), then=then, links=request.user.pk)
    except openid.NotProven as fault:
        return _failed(request, str(fault), then)


@access.open_to_all
@never_cache
@require_safe
def from_provider(request: HttpRequest) -> HttpResponse:
    """Sign in who the provider says is there, if that account signs somebody in here."""
    named, now = provider(), timezone.now()
    try:
        proven = openid.finish(request, named, at=now)
    except openid.NotProven as fault:
        return _failed(request, str(fault))
    links, then = proven.kept["links"], proven.kept["then"]
    if links is not None:
        return _keep_to_link(request, proven, links, now)
    returns = time_out.may_return(request.session, now)
    try:
        user, is_done = prove_outside(
            issuer=proven.issuer, subject=proven.subject, has_second=proven.has_second,
            place=place_of(request), at=now, returning=returns["hash"] if returns else "",
        )  # fmt: skip
    except ValidationError as fault:
        return _failed(request, fault.messages[0], then)
    goes_on = is_done and user.has_second_proof and not proven.has_second  # the second proof is that of earlier today
    since, how = returns["since"] if returns and goes_on else None, {"second": proven.has_second}
    return enter(request, user, then=page_after(user, then), is_done=is_done, since=since, by_provider=how)


def _keep_to_link(request: HttpRequest, proven: openid.Proven, links: int, now: datetime) -> HttpResponse:
    if request.user.pk != links:
        return _failed(request, "Who was signed in here when this was begun no longer is. Begin again.")
    said = {"issuer": proven.issuer, "subject": proven.subject, "since": now.timestamp()}
    request.session[PROVEN] = said
    return redirect("core:own_outside_account")


def _failed(request: HttpRequest, words: str, then: str = "") -> HttpResponse:
    """Say on the page from which it was begun why nothing came of it."""
    if request.user.is_authenticated:
        messages.error(request, words)
        return redirect("core:own_outside_account")
    request.session[FAULT] = words
    return redirect(reverse("core:sign_in") + (f"?{urlencode({'next': then})}" if then else ""))


@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def own_account(request: access.SignedIn) -> HttpResponse:
    """Link the own account with the provider, or take it away."""
    named, row, proven = provider(), outside.account_of(request.user), _proven(request)
    form = PasswordForm(request.user, request.POST or None, at=timezone.now())
    if request.method == "POST" and form.is_valid():
        try:
            said = _take_away(request) if row else _link(request, proven)
        except ValidationError as fault:
            form.add_error(None, fault)
        else:
            request.session.pop(PROVEN, None)
            messages.success(request, said.format(name=named.name))
            return redirect("core:own_account")
    context = {"provider": named, "row": row, "proven": proven, "form": form}
    return render(request, "core/own_outside_account.html", context, status=422 if form.errors else 200)


def _proven(request: access.SignedIn) -> dict[str, Any] | None:
    said: dict[str, Any] | None = request.session.get(PROVEN)
    is_new = said is not None and 0 <= timezone.now().timestamp() - said["since"] < PROVEN_FOR.total_seconds()
    return said if is_new else None


def _link(request: access.SignedIn, proven: dict[str, Any] | None) -> str:
    if proven is None:
        raise ValidationError("Sign in there first, and then come back here within ten minutes.")
    given = {name: proven[name] for name in ("issuer", "subject")}
    outside.link(user=request.user, **given, actor=request.user, at=timezone.now())
    return "From now on you can also sign in with your {name}."


def _take_away(request: access.SignedIn) -> str:
    now = timezone.now()
    with transaction.atomic():  # what was signed in with it ends when it does
        outside.take_away(user=request.user, actor=request.user, at=now)
        signed_in.end(user=request.user, here=str(request.session.session_key), only=None, at=now)
    return "Your {name} no longer signs you in here; your sign-ins elsewhere are ended."


@access.open_to_all
@never_cache
@require_safe
def signed_out(request: HttpRequest) -> HttpResponse:
    """Say that the sign-in here has ended and the one at the provider has not."""
    return render(request, "core/signed_out.html", {"provider": provider()})


@access.open_to_all
@never_cache
@require_safe
def sign_out_there(request: HttpRequest) -> HttpResponse:
    """Lead to where the provider ends its own sign-in, if it does."""
    named = provider()
    try:
        back = request.build_absolute_uri(reverse("core:sign_in"))
        end = openid.address_to_end(named, back=back)
    except openid.NotProven as fault:
        return render(request, "core/signed_out.html", {"provider": named, "fault": f"{fault} Close the browser."})
    if end is None:
        fault_words = "It cannot be ended from here. Close the browser, and sign out there by its own page."
        return render(request, "core/signed_out.html", {"provider": named, "fault": fault_words})
    return redirect(end)
