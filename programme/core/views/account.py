"""The own account: light and keys, password, PIN, second proof."""

from __future__ import annotations

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from programme.core import access, second_proof, signed_in, trail
from programme.core.forms import ChangePasswordForm, PasswordForm, PinForm, SecondProofForm, SecondProofOffForm
from programme.core.models import User
from programme.core.services import set_pin
from programme.core.statement import STATEMENT

SALT = "second_proof_salt"
"""In the session of who sets a second proof up, until the six digits fit."""


@access.before_all_is_set
@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def change_password(request: access.SignedIn) -> HttpResponse:
    form = ChangePasswordForm(request.user, request.POST or None, at=timezone.now())
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():  # the new password and its trail entry go together
            form.save()
            said = trail.Change(request.user.site_id, None, "changed own password", "user", request.user.pk)
            trail.write([said], actor=request.user, at=timezone.now())
        stay_signed_in(request, form.user)
        request.session.pop(access.PASSWORD_TOO_SHORT, None)
        messages.success(request, "Your password is changed.")
        return redirect("core:own_account")
    return render(request, "core/change_password.html", {"form": form})


@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def change_pin(request: access.SignedIn) -> HttpResponse:
    form = PinForm(request.user, request.POST or None, at=timezone.now())
    if request.method == "POST" and form.is_valid():
        try:
            set_pin(user=request.user, pin=form.cleaned_data["pin"], at=timezone.now())
        except ValidationError as error:
            form.add_error(None, error)
        else:
            messages.success(request, "Your PIN is set. It signs a second check at a colleague's screen.")
            return redirect("core:own_account")
    return render(request, "core/change_pin.html", {"form": form})


@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def own_account(request: access.SignedIn) -> HttpResponse:
    if request.method == "POST":
        request.user.dim_light = "dim_light" in request.POST
        request.user.letter_keys = "letter_keys" in request.POST
        request.user.save(update_fields=["dim_light", "letter_keys"])
        messages.success(request, "Saved.")
        return redirect("core:own_account")
    return render(request, "core/own_account.html", {"provider": settings.OIDC})


@access.needs("see.own_account")
@require_safe
def what_it_is(request: access.SignedIn) -> HttpResponse:
    return render(request, "core/what_it_is.html", {"sentences": STATEMENT})


@access.before_all_is_set
@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def set_second_proof(request: access.SignedIn) -> HttpResponse:
    if request.user.has_second_proof:
        return _second_proof_page(request)
    salt = request.session.setdefault(SALT, second_proof.new_salt())
    form = SecondProofForm(request.user, request.POST or None, at=timezone.now())
    if request.method == "POST" and form.is_valid():
        try:
            code, now = form.cleaned_data["code"], timezone.now()
            codes = second_proof.set_up(user=request.user, salt=salt, code=code, at=now)
        except ValidationError as error:
            form.add_error("code", error)
        else:
            del request.session[SALT]
            stay_signed_in(request, request.user)
            return render(request, "core/recovery_codes.html", {"codes": codes, "first": True})
    picture = second_proof.square_picture(second_proof.address_for_telephone(salt, request.user))
    typed = second_proof.typed_secret(salt)
    return render(request, "core/second_proof_set_up.html", {"form": form, "picture": picture, "typed": typed})


@access.needs("see.own_account")
@require_POST
def new_codes(request: access.SignedIn) -> HttpResponse:
    form = PasswordForm(request.user, request.POST, at=timezone.now())
    if not request.user.has_second_proof:
        return redirect("core:second_proof")
    if not form.is_valid():
        return _second_proof_page(request, form)
    codes = second_proof.renew_codes(user=request.user, at=timezone.now())
    return render(request, "core/recovery_codes.html", {"codes": codes})


@access.needs("see.own_account")
@require_POST
def second_proof_off(request: access.SignedIn) -> HttpResponse:
    form = SecondProofOffForm(request.user, request.POST, at=timezone.now())
    if not request.user.has_second_proof:
        return redirect("core:second_proof")
    if not form.is_valid():
        return _second_proof_page(request, form)
    try:
        second_proof.turn_off(user=request.user, at=timezone.now())
    except ValidationError as error:
        form.add_error("password", error)
        return _second_proof_page(request, form)
    stay_signed_in(request, request.user)
    messages.success(request, "The second proof is off; from now on you sign in with your password alone.")
    return redirect("core:own_account")


def _second_proof_page(request: access.SignedIn, form: PasswordForm | None = None) -> HttpResponse:
    left = request.user.recovery_codes.filter(used_at=None).count()
    return render(request, "core/second_proof.html", {"form": form, "left": left})


def stay_signed_in(request: access.SignedIn, user: User) -> None:
    """Go on in this browser after a change that ends every other sign-in."""
    was = str(request.session.session_key)
    update_session_auth_hash(request, user)
    signed_in.follow(was=was, now=str(request.session.session_key))


@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def own_sign_ins(request: access.SignedIn) -> HttpResponse:
    here, now = str(request.session.session_key), timezone.now()
    if request.method == "POST":
        asked = request.POST.get("end", "")
        if asked == "all" or asked.isdecimal():
            only = None if asked == "all" else int(asked)
            ended = signed_in.end(user=request.user, here=here, only=only, at=now)
            messages.success(request, f"{ended} ended." if ended else "It had ended already.")
        return redirect("core:own_sign_ins")
    return render(request, "core/own_sign_ins.html", {"places": signed_in.places(request.user, here=here, at=now)})
