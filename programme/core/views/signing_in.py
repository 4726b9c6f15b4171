"""Signing in, in one step or two, and out."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth import login
from django.contrib.auth import views as auth_views
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from programme.core import access, signed_in, time_out
from programme.core.forms import SecondStepForm, SignInForm
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from programme.core.sign_ins import KNOWN_FOR, Place, is_long_enough_alone, remember

BROWSER_COOKIE = "ebbline_browser"
HALF_IN = "password_was_right"
"""In the session of who has given the password and not yet the second proof."""
HALF_IN_FOR = timedelta(minutes=10)
FAULT = "provider_fault"
"""In the session, once: why nothing came of signing in with an account of the provider."""


class SignIn(auth_views.LoginView):
    """Name and password; then the second proof, where somebody has one."""

    template_name = "core/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def setup(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().setup(request, *args, **kwargs)
        self.returning = time_out.may_return(request.session, timezone.now())
        self.who: Any = request.user

    def get_initial(self) -> dict[str, Any]:
        return {"username": self.returning["name"]} if self.returning else {}

    def get_form_kwargs(self) -> dict[str, Any]:
        returning = self.returning["hash"] if self.returning else ""
        more = {"place": place_of(self.request), "at": timezone.now(), "returning": returning}
        return super().get_form_kwargs() | more

    def get_context_data(self, **more: Any) -> dict[str, Any]:
        provider = {"provider": settings.OIDC, "passwords_for_all": settings.PASSWORDS_FOR_ALL}
        said = {"returning": self.returning, "fault": self.request.session.pop(FAULT, "")}
        return super().get_context_data(**more) | provider | said

    def get_success_url(self) -> str:
        return page_after(self.who, str(super().get_success_url()))

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        user = self.who = form.get_user()
        returns = self.returning if self.returning and self.returning["hash"] == user.get_session_auth_hash() else None
        is_done = not user.has_second_proof or returns is not None
        since = returns["since"] if returns and user.has_second_proof else None
        answer = enter(self.request, user, then=self.get_success_url(), is_done=is_done, since=since)
        if is_done and not is_long_enough_alone(form.cleaned_data["password"]):
            self.request.session[access.PASSWORD_TOO_SHORT] = True
        return answer


sign_in = access.open_to_all(SignIn.as_view())


@access.open_to_all
@never_cache
@sensitive_post_parameters("code")
@require_http_methods(["GET", "POST"])
def second_step(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    user = half_in(request, now)
    if user is None:
        return render(request, "core/second_step.html", {"form": None})
    outside = is_by_provider(request)
    form = SecondStepForm(request.POST or None, user=user, place=place_of(request), at=now, outside=outside)
    if request.method == "POST" and form.is_valid():
        said = request.session.pop(HALF_IN)
        return enter(request, user, then=said["then"], is_done=True, by_provider=said["by_provider"])
    return render(request, "core/second_step.html", {"form": form, "outside": outside})


def enter(
    request: HttpRequest, user: User, *, then: str, is_done: bool, since: float | None = None,
    by_provider: dict[str, bool] | None = None,
) -> HttpResponse:  # fmt: skip
    """Sign in who was proven and lead on to `then`; where it is not done yet, first to the second proof.

    since: when all proofs were given, for who comes back. by_provider: see `access.BY_PROVIDER`.
    """
    if not is_done:
        request.session.cycle_key()
        said = {"user": user.pk, "hash": user.get_session_auth_hash(), "since": timezone.now().timestamp()}
        request.session[HALF_IN] = {**said, "then": then, "by_provider": by_provider}
        return redirect("core:second_step")
    answer = redirect(then)
    login(request, user, backend=settings.AUTHENTICATION_BACKENDS[0])
    begin(request, user, since=since)
    request.session[access.BY_PROVIDER] = by_provider
    keep_known(request, answer, user)
    return answer


def page_after(user: User, then: str) -> str:
    """Return the page that sign-in leads to: the one that was asked for, else the one `user` begins with."""
    return access.start_page(user) if then in ("", settings.LOGIN_REDIRECT_URL) else then


def is_by_provider(request: HttpRequest) -> bool:
    """Say whether the sign-in of this browser, done or half done, began with an account of the provider."""
    half = request.session.get(HALF_IN) or {}
    return bool(half.get("by_provider") or request.session.get(access.BY_PROVIDER))


def begin(request: HttpRequest, user: User, since: float | None = None) -> None:
    """Note in the session how long this sign-in lasts, as the site has decided."""
    now = timezone.now()
    decided = site_settings(user.site, now)
    idle_min, hours = decided["sign_in_idle_min"], decided["sign_in_hours"]
    time_out.begin(request.session, idle_min=idle_min, hours=hours, at=now, since=since)
    request.session.pop(time_out.RETURNING, None)
    is_handheld = any(word in request.headers.get("User-Agent", "") for word in ("Mobile", "Android", "Tablet"))
    key, address = str(request.session.session_key), access.address_of(request)
    signed_in.note(user=user, session_key=key, address=address, is_handheld=is_handheld, at=now)


def half_in(request: HttpRequest, now: datetime) -> User | None:
    """Return who gave the right password in this browser a moment ago, if it is still the same one."""
    said = request.session.get(HALF_IN)
    if said is None or not 0 <= now.timestamp() - said["since"] < HALF_IN_FOR.total_seconds():
        return None
    user = User.objects.filter(pk=said["user"], is_active=True, second_proof_since__isnull=False).first()
    return user if user and user.get_session_auth_hash() == said["hash"] else None


def place_of(request: HttpRequest) -> Place:
    return Place(access.address_of(request), request.COOKIES.get(BROWSER_COOKIE, ""))


def keep_known(request: HttpRequest, answer: HttpResponse, user: User) -> None:
    """Let the browser keep the secret by which it is known: neither scripts nor other sites can read it.

    Lax, not Strict: it must come along where a provider leads back here.
    """
    secret = remember(user=user, place=place_of(request), at=timezone.now())
    answer.set_cookie(
        BROWSER_COOKIE, secret, max_age=KNOWN_FOR, path="/sign-in/", secure=settings.SESSION_COOKIE_SECURE,
        httponly=True, samesite="Lax",
    )  # fmt: skip


@access.before_all_is_set
@access.needs("see.own_account")
@require_POST
def sign_out(request: access.SignedIn) -> HttpResponse:
    goes_on_there = settings.OIDC is not None and is_by_provider(request)
    answer = auth_views.LogoutView.as_view()(request)
    return redirect("core:signed_out") if goes_on_there else answer
