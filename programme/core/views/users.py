"""Users of the unit: who signs in, and what an administrator does for them. Nothing here is about a person treated."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.forms import Form
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from programme.core import access, accounts, outside
from programme.core.backups import last_backup
from programme.core.forms import HelpForm, NewUserForm, OutsideForm, UserForm
from programme.core.models import EditedMeanwhile, User
from programme.core.receipts import BadReceipt, new_key, once
from programme.core.views.provider import provider

STEPS = {
    "password": accounts.give_first_password,
    "second_proof": accounts.reset_second_proof,
    "end": accounts.end_sign_ins,
    "open": accounts.open_sign_in,
}
SAID = {
    "password": "A first password was given already. If it is lost, give another one.",
    "second_proof": "The second proof is taken away; where the role asks for one, it is set up at the next sign-in.",
    "end": "Every sign-in is ended.",
    "open": "Sign-in is open again; the wrong tries are forgotten.",
}


@access.needs("see.users")
@require_safe
def users(request: access.SignedIn) -> HttpResponse:
    site = request.user.site
    context = {"users": list(accounts.users_of(site)), "backup": last_backup(timezone.now(), site=site), "nav": "users"}
    return render(request, "core/users.html", context)


@access.needs("change.users")
@sensitive_variables("shown")
@require_http_methods(["GET", "POST"])
def add(request: access.SignedIn) -> HttpResponse:
    form = NewUserForm(request.POST or None, initial={"receipt": new_key()})
    shown: list[tuple[User, str]] = []

    def do(at: datetime) -> str:
        given = {name: form.cleaned_data[name] for name in ("username", "full_name", "role")}
        shown.append(accounts.add(**given, actor=request.user, at=at))
        return reverse("core:user", args=[shown[0][0].pk])

    there = _saved(request, form, "add user", do)
    if shown and there:
        return _first_password(request, *shown[0])
    return redirect(there) if there else render(request, "core/user_add.html", {"form": form, "nav": "users"})


@access.needs("change.users")
@require_http_methods(["GET", "POST"])
def user(request: access.SignedIn, key: int) -> HttpResponse:
    one = get_object_or_404(User, pk=key, site=request.user.site)
    form = UserForm(request.POST or None, initial=_initial(one))

    def do(at: datetime) -> str:
        given = form.cleaned_data
        to = accounts.Details(given["full_name"], given["role"], given["is_active"])
        version, reason = given["version"], given["reason"]
        accounts.change(user=one, version=version, to=to, reason=reason, actor=request.user, at=at)
        return reverse("core:users")

    there = _saved(request, form, f"change user {key}", do)
    if there:
        messages.success(request, f"{form.cleaned_data['full_name']}: saved.")
    return redirect(there) if there else _page(request, one, form)


@access.needs("change.users")
@sensitive_variables("done")
@require_POST
def help_to_sign_in(request: access.SignedIn, key: int) -> HttpResponse:
    one = get_object_or_404(User, pk=key, site=request.user.site)
    form = HelpForm(request.POST)
    done: list[str | int | None] = []

    def do(at: datetime) -> str:
        given = form.cleaned_data
        step, version, reason = STEPS[given["what"]], given["version"], given["reason"]
        done.append(step(user=one, version=version, reason=reason, actor=request.user, at=at))
        return reverse("core:user", args=[key])

    there = _saved(request, form, f"help user {key}", do)
    if there and done and isinstance(done[0], str):
        return _first_password(request, one, done[0])
    if there:
        messages.success(request, SAID[form.cleaned_data["what"]])
    return redirect(there) if there else _page(request, one, help_form=form)


@access.needs("change.users")
@require_POST
def outside_account(request: access.SignedIn, key: int) -> HttpResponse:
    one, named = get_object_or_404(User, pk=key, site=request.user.site), provider()
    form = OutsideForm(request.POST)

    def do(at: datetime) -> str:
        given = {name: form.cleaned_data[name] for name in ("version", "subject", "reason")}
        accounts.set_outside(user=one, issuer=named.issuer, **given, actor=request.user, at=at)
        return reverse("core:user", args=[key])

    there = _saved(request, form, f"outside account of user {key}", do)
    if there:
        messages.success(request, f"{one.full_name}: saved.")
    return redirect(there) if there else _page(request, one, outside_form=form)


def _saved(request: access.SignedIn, form: Form, action: str, do: Callable[[datetime], str]) -> str:
    """Save once what was sent and is right; return where to go next, '' where nothing was saved."""
    if request.method != "POST" or not form.is_valid():
        return ""
    now, key = timezone.now(), form.cleaned_data["receipt"]
    try:
        return once(key=key, actor=request.user, at=now, action=action, do=lambda: do(now))
    except ValidationError as error:
        form.add_error(None, error.messages)
    except (EditedMeanwhile, BadReceipt) as error:
        form.add_error(None, str(error))
    return ""


def _initial(one: User) -> dict[str, object]:
    was = {name: getattr(one, name) for name in ("full_name", "role", "is_active", "version")}
    return {**was, "receipt": new_key()}


def _page(request: access.SignedIn, one: User, form: UserForm | None = None, **tried: Form) -> HttpResponse:
    """Show somebody's page; tried: the form that was sent and not saved, by its name there."""
    has_faults = bool(tried or (form and form.errors))
    return render(request, "core/user.html", {
        "one": one, "form": form or UserForm(initial=_initial(one)), "receipt": new_key(),
        "said": accounts.said_of(one), "nav": "users", "is_self": one.pk == request.user.pk, "provider": settings.OIDC,
        "outside": outside.account_of(one) if settings.OIDC else None, **tried,
    }, status=422 if has_faults else 200)  # fmt: skip


@sensitive_variables("password")
def _first_password(request: access.SignedIn, one: User, password: str) -> HttpResponse:
    """Show a first password; it is kept nowhere and shown on no other page."""
    hours = int(accounts.INITIAL_FOR.total_seconds() // 3600)
    return render(
        request, "core/first_password.html", {"one": one, "password": password, "hours": hours, "nav": "users"}
    )
