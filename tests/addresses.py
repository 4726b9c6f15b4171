"""All addresses of the site, filled in for a person, so that tests can walk them.

A new page is walked without any change here, unless its address asks for something that is not in `sample`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver
from django.urls.resolvers import RoutePattern

from patients.models import Patient
from sessions.models import ExchangeSession

SERVED_AS_FILES = ("static/",)


@dataclass(frozen=True, slots=True)
class Address:
    """One address pattern: its route as written, the view, and the names that the route asks for."""

    route: str
    view: Callable[..., Any]
    names: tuple[str, ...]

    @property
    def is_about_a_person(self) -> bool:
        return "patient_ref" in self.names

    def filled(self, values: dict[str, Any]) -> str:
        """Return the path with `values` in it; raise KeyError for a name nobody has taught this module."""
        parts, rest = [], self.route
        while "<" in rest:
            before, _, rest = rest.partition("<")
            inside, _, rest = rest.partition(">")
            parts += [before, str(values[inside.rpartition(":")[2]])]
        return "/" + "".join([*parts, rest])


def every_address() -> tuple[Address, ...]:
    return tuple(_walk(get_resolver().url_patterns, "", ()))


def _walk(patterns: list[URLPattern | URLResolver], above: str, names: tuple[str, ...]) -> Iterator[Address]:
    for entry in patterns:
        assert isinstance(entry.pattern, RoutePattern), f"{entry.pattern}: addresses are written with path()"
        route, asked = above + str(entry.pattern), (*names, *entry.pattern.converters)
        if isinstance(entry, URLResolver):
            yield from _walk(entry.url_patterns, route, asked)
        else:
            yield Address(route, entry.callback, asked)


def sample(patient: Patient, exchange_session: ExchangeSession) -> dict[str, Any]:
    """What the addresses of one person are filled with."""
    day: date = exchange_session.on
    return {
        "patient_ref": patient.patient_ref,
        "on": day.isoformat(),
        "day": day.isoformat(),
        "pk": exchange_session.pk,
        "number": 1,
    }
