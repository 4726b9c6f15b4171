"""Asking the provider who somebody is: OpenID Connect, authorization code flow with PKCE.

The library makes state, nonce and code verifier, keeps them in the session, and verifies the ID token's signature and
claims. Asked beside it here: that the provider speaks for the issuer that was configured, that no address of its is
without TLS or leads elsewhere, and that the person was asked anew. Nothing of the provider is kept between two
sign-ins, so what it changed or mended is never stale; no token is kept at all.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from authlib.common.errors import AuthlibBaseError
from authlib.common.urls import add_params_to_uri
from authlib.integrations.django_client import DjangoOAuth2App, OAuth
from authlib.integrations.requests_client import OAuth2Session
from authlib.oidc.core import CodeIDToken
from authlib.oidc.discovery import get_well_known_url
from django.http import HttpRequest, HttpResponseRedirect
from joserfc.errors import JoseError

from programme.core.provider import Provider

logger = logging.getLogger(__name__)
WAIT_S = 5.0
"""How long one answer of the provider is waited for, and its connection too. Chosen here; not from a source."""
LEEWAY_S = 120
"""By how much the clocks of provider and server may differ. Chosen here; not from a source."""
BEGUN_FOR_S = 600
LONGEST_SUBJECT = 255
"""OpenID Connect Core 1.0, 2: sub has at most 255 ASCII characters."""
SIGNED_BY = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512")
"""No 'none', and no key that provider and server share: RFC 8725 (2020), 3.1 and 3.2."""
NONSENSE = (AttributeError, KeyError, TypeError, ValueError, RuntimeError, AuthlibBaseError, JoseError)
"""What the library raises at an answer that is not what the standard says, whichever way it is wrong."""


class NotProven(Exception):
    """Nobody was proven to be anybody; the words are for the person who tried."""


class Distrusted(ValueError):
    """The provider said something on which nothing may be built."""


@dataclass(frozen=True, slots=True)
class Proven:
    """Who the provider says is there. has_second: it took a second proof that is trusted here. kept: see `begin`."""

    issuer: str
    subject: str
    has_second: bool
    kept: Mapping[str, Any]


class _Session(OAuth2Session):
    """Asks addresses that are trusted, and follows nobody elsewhere."""

    def __init__(self, *args: Any, trusts: Any, **kwargs: Any) -> None:
        super().__init__(*args, default_timeout=WAIT_S, **kwargs)
        self.trusts = trusts

    def request(self, method: str, url: str, **kwargs: Any) -> Any:
        if not self.trusts(url):
            raise Distrusted("an address of the provider is not by TLS")
        return super().request(method, url, **(kwargs | {"allow_redirects": False}))


class _Client(DjangoOAuth2App):
    """The library's client, which takes from what the provider says of itself only what is asked for."""

    client_cls = _Session
    provider: Provider
    server_metadata: dict[str, Any]

    def load_server_metadata(self) -> dict[str, Any]:
        if not self.server_metadata:
            super().load_server_metadata()
            self.server_metadata = _checked(self.server_metadata, self.provider)
        return dict(self.server_metadata)


def begin(request: HttpRequest, provider: Provider, *, back: str, at: datetime, **kept: Any) -> HttpResponseRedirect:
    """Lead to the provider, which leads to `back`; kept: what is to be known then. Raises NotProven."""
    asked_anew = {"prompt": "login", "max_age": 0} if provider.login_each_time else {}
    with _only_trusted(provider):
        client = _client(provider)
        asked = client.create_authorization_url(back, **asked_anew)
    client.save_authorize_data(request, redirect_uri=back, kept=kept, asked_at=at.timestamp(), **asked)
    return HttpResponseRedirect(asked["url"])


def finish(request: HttpRequest, provider: Provider, *, at: datetime) -> Proven:
    """Return who came back from the provider. Raises NotProven; what was begun is then at an end."""
    client = _client(provider)
    begun = client.framework.get_state_data(request.session, request.GET.get("state")) or {}
    client.framework.clear_state_data(request.session, request.GET.get("state"))
    asked_at = begun.get("asked_at", 0.0)
    if not 0 <= at.timestamp() - asked_at < BEGUN_FOR_S:
        raise NotProven("This sign-in was used already, begun elsewhere, or begun over ten minutes ago. Begin again.")
    if "error" in request.GET:  # it may say why; those are words of an address, and shown to nobody
        raise NotProven(f"Nothing came of signing in with your {provider.name}. Try again.")
    with _only_trusted(provider):
        return _proven(client, provider, request, begun)


def address_to_end(provider: Provider, *, back: str) -> str | None:
    """Return where the provider ends its own sign-in, None where it offers that nowhere (RP-Initiated Logout 1.0, 2).

    Raises NotProven where it does not answer.
    """
    with _only_trusted(provider):
        end = _client(provider).load_server_metadata().get("end_session_endpoint")
        asked = {"client_id": provider.client_id, "post_logout_redirect_uri": back}
        return None if end is None else str(add_params_to_uri(end, asked))


def _proven(client: _Client, provider: Provider, request: HttpRequest, begun: Mapping[str, Any]) -> Proven:
    if request.GET.get("iss", provider.issuer) != provider.issuer:  # RFC 9207 (2022), 2.4
        raise Distrusted("the answer is another issuer's")
    given = {"code": request.GET["code"], "code_verifier": begun["code_verifier"]}
    token = client.fetch_access_token(redirect_uri=begun["redirect_uri"], **given)
    if "id_token" not in token:
        raise Distrusted("no ID token")
    wanted = {"iss": provider.issuer, "aud": provider.client_id}
    options = {name: {"essential": True, "value": value} for name, value in wanted.items()}
    how = {"claims_cls": CodeIDToken, "claims_options": options, "leeway": LEEWAY_S}
    claims = client.parse_id_token(token, nonce=begun["nonce"], **how)
    subject, asked_at = claims["sub"], begun["asked_at"]
    if not is_subject(subject):
        raise Distrusted("the subject is not what the standard allows")
    if provider.login_each_time and not asked_at - LEEWAY_S <= float(claims["auth_time"]):
        raise Distrusted("the person was not asked anew")  # OpenID Connect Core 1.0, 3.1.3.7, 13
    said = {claims.get("acr"), *(claims.get("amr") or ())}
    return Proven(provider.issuer, subject, bool(said & provider.second_proof_by), begun["kept"])


def is_subject(text: object) -> bool:
    """Say whether a text can be the name by which a provider knows somebody."""
    return isinstance(text, str) and 0 < len(text) <= LONGEST_SUBJECT and text.isascii() and text.isprintable()


def _client(provider: Provider) -> _Client:
    client: _Client = OAuth().register(
        "provider", client_cls=_Client, client_id=provider.client_id, client_secret=provider.client_secret,
        server_metadata_url=get_well_known_url(provider.issuer, external=True),
        client_kwargs={"scope": "openid", "code_challenge_method": "S256", "trusts": provider.trusts},
    )  # fmt: skip
    client.provider = provider
    return client


def _checked(said: Mapping[str, Any], provider: Provider) -> dict[str, Any]:
    """Return what is asked for of what the provider says of itself (OpenID Connect Discovery 1.0, 3 and 4.3)."""
    if said.get("issuer") != provider.issuer:
        raise Distrusted("the provider speaks for another issuer")
    addresses = ["authorization_endpoint", "token_endpoint", "jwks_uri"]
    addresses += ["end_session_endpoint"] if said.get("end_session_endpoint") else []
    if not all(provider.trusts(said.get(name)) for name in addresses):
        raise Distrusted("an address of the provider is missing or not by TLS")
    signed_by = [one for one in said.get("id_token_signing_alg_values_supported", ["RS256"]) if one in SIGNED_BY]
    if not signed_by:
        raise Distrusted("the provider signs in no way that is taken")
    ways = said.get("token_endpoint_auth_methods_supported", ["client_secret_basic"])
    way = "client_secret_basic" if "client_secret_basic" in ways else "client_secret_post"
    return {name: said[name] for name in ("issuer", "_loaded_at", *addresses)} | {
        "id_token_signing_alg_values_supported": signed_by, "token_endpoint_auth_method": way,
    }  # fmt: skip


@contextmanager
def _only_trusted(provider: Provider) -> Iterator[None]:
    """Turn silence and nonsense of the provider into words; what it was goes to the log without anything of anybody."""
    try:
        yield
    except NONSENSE as fault:
        logger.warning("The sign-in provider answered what cannot be trusted", exc_info=fault)
        raise NotProven(f"Your {provider.name} could not be checked: the answer cannot be trusted.") from fault
    except OSError as fault:  # of which every fault of the network is one
        logger.warning("The sign-in provider could not be reached", exc_info=fault)
        raise NotProven(f"Your {provider.name} cannot be reached now.") from fault
