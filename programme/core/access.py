"""Access: one matrix of who may do what, checked by every view, and the one door to a person's page.

A view without `@needs` (or `@open_to_all`) is refused for everybody, so a forgotten check shows at once.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db.models import Model, QuerySet
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.utils import timezone

from programme.core.models import User


class SignedIn(HttpRequest):
    """A request that has passed the check: its user is one of ours."""

    user: User


MATRIX_FILE = Path(__file__).with_name("access_matrix.toml")
View = TypeVar("View", bound=Callable[..., HttpResponseBase])
Row = TypeVar("Row", bound=Model)


@cache
def matrix() -> dict[str, frozenset[str]]:
    """Return {'see.list': roles, …} as the matrix file has it."""
    with MATRIX_FILE.open("rb") as file:
        parts = tomllib.load(file)
    return {f"{verb}.{what}": frozenset(roles) for verb, rows in parts.items() for what, roles in rows.items()}


def may(user: User, action: str) -> bool:
    """Say whether the matrix lets `user` do `action`; an unknown action is a mistake in the code."""
    return user.is_active and user.role in matrix()[action]


def needs(action: str) -> Callable[[View], View]:
    """Mark a view with the action of the matrix that it needs."""
    if action not in matrix():
        raise KeyError(f"{action!r} is not in the access matrix; known are {', '.join(sorted(matrix()))}")

    def mark(view: View) -> View:
        view.needs_action = action  # type: ignore[attr-defined]
        return view

    return mark


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
            return redirect_to_login(request.get_full_path())
        if action == "unmarked" or not may(request.user, action):
            raise PermissionDenied(action)
        return None


def open_patient(user: User, patients: QuerySet[Row], patient_ref: str) -> Row:
    """Return the person of the user's own site; one of another site is as unknown as one that does not exist."""
    patient = patients.filter(site_id=user.site_id, patient_ref=patient_ref).first()
    if patient is None:
        raise Http404("No person with this reference at your site.")
    return patient
