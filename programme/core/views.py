"""Sign-in, the own account, the pages for what went wrong, and the sheet of all parts."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth import views as auth_views
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from programme.core import access, trail
from programme.core.forms import ChangePasswordForm, PinForm, SignInForm
from programme.core.services import set_pin

sign_in = access.open_to_all(
    auth_views.LoginView.as_view(
        template_name="core/sign_in.html", authentication_form=SignInForm, redirect_authenticated_user=True
    )
)


@access.needs("see.own_account")
@require_POST
def sign_out(request: access.SignedIn) -> HttpResponse:
    return auth_views.LogoutView.as_view()(request)


@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def change_password(request: access.SignedIn) -> HttpResponse:
    form = ChangePasswordForm(request.user, request.POST or None)
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():  # the new password and its trail entry go together
            form.save()
            said = trail.Change(request.user.site_id, None, "changed own password", "user", request.user.pk)
            trail.write([said], actor=request.user, at=timezone.now())
        update_session_auth_hash(request, form.user)
        messages.success(request, "Your password is changed.")
        return redirect("core:own_account")
    return render(request, "core/change_password.html", {"form": form})


@access.needs("see.own_account")
@require_http_methods(["GET", "POST"])
def change_pin(request: access.SignedIn) -> HttpResponse:
    form = PinForm(request.user, request.POST or None)
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
    return render(request, "core/own_account.html")


@access.open_to_all
def not_allowed(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "403.html", status=403)


@access.open_to_all
def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return render(request, "404.html", status=404)


@access.open_to_all
def went_wrong(request: HttpRequest) -> HttpResponse:
    return render(request, "500.html", status=500)


@access.open_to_all
def form_expired(request: HttpRequest, reason: str = "") -> HttpResponse:
    return render(request, "403_csrf.html", status=403)
