"""The walk of somebody who signs in by a provider, step by step, with the client of a test."""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import requests
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

START, BACK = "/sign-in/provider/", "/sign-in/provider/back/"


def asked(client: Client, then: str = "") -> str:
    """Begin in a browser; return the address at the provider."""
    answer = client.get(START, {"next": then} if then else {})
    assert answer.status_code == 302
    return answer["Location"]


def at_provider(address: str) -> str:
    """Sign in there; return the way back here."""
    parts = urlsplit(requests.get(address, allow_redirects=False, timeout=9).headers["Location"])
    return f"{parts.path}?{parts.query}"


def walk(client: Client, then: str = "") -> HttpResponse:
    return client.get(at_provider(asked(client, then)))


def is_in(client: Client) -> bool:
    return client.get("/account/").status_code == 200


def said_on(client: Client, answer: HttpResponse) -> str:
    """What the page says to which somebody is led who was not let in."""
    assert answer.status_code == 302
    assert answer["Location"].startswith(reverse("core:sign_in"))
    page = " ".join(client.get(answer["Location"]).content.decode().split())
    assert not is_in(client)
    return page


def query_of(address: str) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(urlsplit(address).query).items()}
