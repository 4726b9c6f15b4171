"""Access: one matrix of who may do what, checked by every view, and the one door to a person's page.

A view without `@needs` (or `@open_to_all`) is refused for everybody, so a forgotten check shows at once.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from functools import cache
from ipaddress import IPv6Network, ip_address
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib.auth import logout
from django.contrib.auth.models import AnonymousUser
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db.models import Model, QuerySet
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import ResolverMatch, reverse
from django.utils import timezone
from django_htmx.http import HttpResponseClientRedirect

from programme.core import break_glass, reading, time_out
from programme.core.models import BrokenGlass, User
from programme.core.prepared import Prepared


class SignedIn(HttpRequest):
    """A request that has passed the check: its user is one of ours."""

    user: User
    broken_glass: BrokenGlass


PASSWORD_TOO_SHORT = "password_too_short"
"""In the session of who signed in without a second proof, with a password that only goes with one."""
BY_PROVIDER = "by_provider"
"""In the session: None after a password, else {'second': whether the provider took a second proof trusted here}."""
MATRIX_FILE = Path(__file__).with_name("access_matrix.toml")
View = TypeVar("View", bound=Callable[..., HttpResponseBase])
Row = TypeVar("Row", bound=Model)


@cache
def matrix() -> dict[str, frozenset[str]]:
    """Return {'see.list': roles, …} as the matrix file has it."""
    with MATRIX_FILE.open("rb") as file:
        parts = tomllib.load(file)
    del parts["command"]  # run by whoever has the machine, in no role
    return {f"{verb}.{what}": frozenset(roles) for verb, rows in parts.items() for what, roles in rows.items()}


@cache
def commands() -> dict[str, str]:
    """Return {'show_results': 'person', …}: what each command of the programme reaches, as the matrix file has it."""
    with MATRIX_FILE.open("rb") as file:
        return dict(tomllib.load(file)["command"])


def may(user: User, action: str) -> bool:
    """Say whether the matrix lets `user` do `action`; an unknown action is a mistake in the code."""
    return user.is_active and user.role in matrix()[action]


def start_page(user: User) -> str:
    """Return the address of the page that `user` begins with: the list, or the users for who sees no list."""
    return "/" if may(user, "see.list") else reverse("core:users")


def needs(action: str) -> Callable[[View], View]:
    """Mark a view with the action of the matrix that it needs."""
    if action not in matrix():
        raise KeyError(f"{action!r} is not in the access matrix; known are {', '.join(sorted(matrix()))}")

    def mark(view: View) -> View:
        view.needs_action = action  # type: ignore[attr-defined]
        return view

    return mark


def unattended(view: View) -> View:
    """Mark a view that pages ask for by themselves: it does not keep anybody signed in."""
    view.unattended = True  # type: ignore[attr-defined]
    return view


def _has_ended(request: HttpRequest, user: User, *, unattended: bool) -> bool:
    """Sign out whose time is over, and keep who it was for a quick return; else note the action."""
    now = timezone.now()
    if not time_out.is_over(request.session, now):
        if not unattended:
            time_out.act(request.session, now)
        return False
    account = user.get_session_auth_hash()
    returning = time_out.came_from(request.session, name=user.username, account=account, at=now)
    if returning is None:
        logout(request)
        return True
    # Emptied under its own key, which the next sign-in changes: another request of this browser, on its way at the same
    # moment, would else find no session under the key it brings, and its answer would take the cookie away.
    request.session.clear()
    request.session[time_out.RETURNING] = returning | {"sent": request.method == "POST"}
    request.user = AnonymousUser()
    return True


def _to_sign_in(request: HttpRequest) -> HttpResponseBase:
    """Lead to the sign-in page, which leads back; from a part of a page, the whole page is led there."""
    htmx = getattr(request, "htmx", None)
    if htmx:
        page = redirect_to_login(htmx.current_url_abs_path or "/")
        return HttpResponseClientRedirect(page.url)
    return redirect_to_login(request.get_full_path())


def before_all_is_set(view: View) -> View:
    """Mark a view that is shown also to who must first set up a second proof or a longer password."""
    view.before_all_is_set = True  # type: ignore[attr-defined]
    return view


def _owed(user: User, request: HttpRequest) -> str | None:
    """Return the address of what the person must set first, if anything."""
    by_provider = request.session.get(BY_PROVIDER)
    if user.initial_password_until is not None and by_provider is None:
        return "core:change_password"
    if user.owes_second_proof and not (by_provider and by_provider["second"]):
        return "core:second_proof"
    if not user.has_second_proof and PASSWORD_TOO_SHORT in request.session:
        return "core:change_password"
    return None


def open_to_all(view: View) -> View:
    """Mark a view as open without sign-in: the sign-in page, error pages, static files."""
    view.needs_action = None  # type: ignore[attr-defined]
    return view


class AccessMiddleware:
    """Check each view's mark before it runs: nobody → sign-in; wrong role → not allowed; no mark → refused."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        user = getattr(request, "user", None)
        if user is None or not user.is_authenticated:
            return self.get_response(request)
        with timezone.override(ZoneInfo(user.site.time_zone)):  # every time on a page is the unit's own
            response = self.get_response(request)
        # A page about people must not stay in a shared browser's history.
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: Any, kwargs: Any
    ) -> HttpResponseBase | None:
        action = getattr(view, "needs_action", "unmarked")
        if action is None:
            return None
        if not request.user.is_authenticated:
            return _to_sign_in(request)
        if _has_ended(request, request.user, unattended=getattr(view, "unattended", False)):
            return _to_sign_in(request)
        if action == "unmarked" or not may(request.user, action):
            raise PermissionDenied(action)
        owed = None if getattr(view, "before_all_is_set", False) else _owed(request.user, request)
        return redirect(owed) if owed else None


def address_of(request: HttpRequest) -> str:
    """Return the address that a request comes from: behind a proxy of ours, the one that this proxy saw.

    Of IPv6 the first 64 bits, since one machine has all the rest; '' where there is none.
    """
    said = str(request.META.get("REMOTE_ADDR", ""))
    if settings.BEHIND_PROXY:
        said = request.headers.get("X-Forwarded-For", said).rpartition(",")[2]
    try:
        address = ip_address(said.strip())
    except ValueError:
        return ""
    return str(address if address.version == 4 else IPv6Network((address, 64), strict=False))


def part_of(page: str) -> Callable[[View], View]:
    """Mark a view as a part of `page`: who has it sent sees that page, and is written down once for both."""

    def mark(view: View) -> View:
        view.part_of_page = page  # type: ignore[attr-defined]
        return view

    return mark


def open_patient(
    request: SignedIn, patients: QuerySet[Row], patient_ref: str, *, own: Prepared[Row] | None = None
) -> Row:
    """Return the person of the user's own site, and write down who looked at which page.

    One of another site is as unknown as one that does not exist, unless the user broke the glass to them: then they
    are read. What is sent to be saved is written by its service. own: finds the same by `site` and `ref`, where pages
    are opened at every touch.
    """
    site_key = request.user.site_id
    if own is None:
        patient = patients.filter(site_id=site_key, patient_ref=patient_ref).first()
    else:
        patient = own.first(site=site_key, ref=patient_ref)
    if patient is None:
        patient = _through_broken_glass(request, patients, patient_ref)
    if patient is None:
        raise Http404("No person with this reference at your site.")
    note_look(request, site_key=patient.site_id, patient_key=patient.pk)  # type: ignore[attr-defined]
    return patient


def note_look(request: SignedIn, *, site_key: int, patient_key: int) -> None:
    """Write down that a person was looked at on the page asked for, which may be reached through a row of theirs.

    What is sent to be saved is no look: its service writes it.
    """
    if request.method in ("GET", "HEAD"):
        page, now = _page_of(request), timezone.now()
        reading.note(user=request.user, site_key=site_key, patient_key=patient_key, page=page, at=now)


def _through_broken_glass(request: SignedIn, patients: QuerySet[Row], patient_ref: str) -> Row | None:
    """Return a person of another site whom the user may read now, and note on the request that it is so."""
    verb, _, what = str(getattr(_match(request).func, "needs_action", "")).partition(".")
    opens = matrix().get(f"break_glass.{what}", frozenset())
    if request.method not in ("GET", "HEAD") or verb != "see" or request.user.role not in opens:
        return None
    rows = break_glass.in_force(request.user, timezone.now())
    found = list(patients.filter(pk__in=rows, patient_ref=patient_ref)[:2]) if rows else []
    if len(found) != 1:  # two people of two units with one reference are not told apart by it
        return None
    request.broken_glass = rows[found[0].pk]
    return found[0]


def _page_of(request: SignedIn) -> str:
    """Return the page in words: the name of its address, or of the page whose part it is."""
    match = _match(request)
    return str(getattr(match.func, "part_of_page", match.url_name)).replace("_", " ")


def _match(request: SignedIn) -> ResolverMatch:
    if request.resolver_match is None:
        raise RuntimeError("a person is opened by a view that was reached through its address")
    return request.resolver_match
