"""All addresses of the site, filled in for a person, so that tests can walk them.

A new page is walked without any change here, unless its address asks for something that is not in `sample`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver
from django.urls.resolvers import RoutePattern

from sessions.models import ExchangeSession, OtherTransfusion


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
        path, rest = "/", self.route
        while "<" in rest:
            before, _, rest = rest.partition("<")
            inside, _, rest = rest.partition(">")
            path += before
            name = inside.rpartition(":")[2]
            # A key is that of the kind of row before it: results/<int:key>/ is the key of a result.
            path += str(values[f"key of {path.split('/')[-2]}" if name == "key" else name])
        return path + rest


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


def sample(
    exchange_session: ExchangeSession, transfusion: OtherTransfusion, of_the_day: ExchangeSession
) -> dict[str, Any]:
    """What the addresses of one person are filled with, who is booked; `of_the_day` runs, with call and reaction."""
    patient = exchange_session.patient
    return {
        "patient_ref": patient.patient_ref,
        "patient_key": patient.pk,
        "rest": "Patient",
        "key of erasures": patient.site.erasures.first().pk,
        "key of users": patient.site.users.first().pk,
        "key of glass": patient.site.broken_glass.first().pk,
        "key of session": exchange_session.pk,
        "key of results": exchange_session.result_links.first().result_id,
        "key of transfusion": transfusion.pk,
        "key of day": of_the_day.pk,
        "key of call": of_the_day.follow_ups.first().pk,
        "key of reactions": of_the_day.adverse_events.first().pk,
        "key of bookings": patient.bookings.first().pk,
        "key of proposal": patient.site.proposals.first().pk,
        "key of chair": patient.site.chairs.first().pk,
        "kind": "chair",
        "key of away": patient.away.first().pk,
        "key of calendars": patient.feeds.first().pk,
        "secret": f"secret-of-{patient.patient_ref}",
        "key of note": patient.course_notes.first().pk,
        "key of check": patient.checks_done.first().pk,
        "key of crossmatch": patient.crossmatch_samples.first().pk,
        "key of waiting": patient.waiting.first().pk,
        "order_number": patient.blood_orders.first().number,
        "key of units": patient.blood_orders.first().supplied_units.first().pk,
        "what": "release",
        "key of inbox": patient.inbox_items.first().pk,
        "key of codes": patient.site.local_codes.first().pk,
        "key of senders": patient.site.senders.first().pk,
        "place": 1,
        "measure": "under_sessions",
        "number": 0,
        "name": "unit_volume_ml",
        "text_name": "leaflet",
        "token": "a-file-of-nobody",
    }
