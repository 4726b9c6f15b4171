"""The provider by which people may sign in with an account of the hospital, as the environment names it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from django.core.exceptions import ImproperlyConfigured

THIS_MACHINE = frozenset({"localhost", "127.0.0.1", "::1"})
NEEDED = ("OIDC_ISSUER", "OIDC_CLIENT_ID", "OIDC_CLIENT_SECRET")
BESIDE = ("OIDC_NAME", "OIDC_SECOND_PROOF_BY", "OIDC_LOGIN_EACH_TIME")
USUAL_NAME, LONGEST_NAME = "hospital account", 40


@dataclass(frozen=True, slots=True)
class Provider:
    """One provider of OpenID Connect.

    name: what people call an account with it. second_proof_by: values of `acr` and `amr` that stand in for the second
    proof here; none: it is always asked. login_each_time: whether the provider must ask anew at every sign-in.
    """

    issuer: str
    client_id: str
    client_secret: str = field(repr=False)
    name: str = USUAL_NAME
    second_proof_by: frozenset[str] = frozenset()
    login_each_time: bool = True

    def trusts(self, address: object) -> bool:
        """Say whether an address may be asked: by TLS, or on this machine where the provider itself is there."""
        return isinstance(address, str) and _is_safe(address, loopback=not self.issuer.startswith("https://"))


def provider_of(said: Mapping[str, str], *, debug: bool) -> Provider | None:
    """Read the provider from the environment, None where none is named. Raises ImproperlyConfigured."""
    given = {name: said.get(name, "").strip() for name in (*NEEDED, *BESIDE)}
    missing = [name for name in NEEDED if not given[name]]
    if not any(given.values()):
        return None
    if missing:
        raise ImproperlyConfigured(
            f"{', '.join(NEEDED)} go together: {' and '.join(missing)} is missing. Without all three nobody signs in "
            "by a provider, and no other OIDC_ variable may be set."
        )
    if not _is_safe(given["OIDC_ISSUER"], loopback=debug) or set("?#") & set(given["OIDC_ISSUER"]):
        raise ImproperlyConfigured(
            f"OIDC_ISSUER={given['OIDC_ISSUER']!r} must be the provider's address, beginning with https:// and without "
            "? and #; http:// is taken for this machine alone, with DEBUG=True."
        )
    return Provider(
        given["OIDC_ISSUER"], given["OIDC_CLIENT_ID"], given["OIDC_CLIENT_SECRET"], _name(given["OIDC_NAME"]),
        frozenset(value.strip() for value in given["OIDC_SECOND_PROOF_BY"].split(",") if value.strip()),
        _flag(given["OIDC_LOGIN_EACH_TIME"]),
    )  # fmt: skip


def passwords_for_all(said: Mapping[str, str], provider: Provider | None) -> bool:
    """Read PASSWORD_SIGN_IN: whether everybody may sign in with a password. Raises ImproperlyConfigured."""
    text = said.get("PASSWORD_SIGN_IN", "").strip() or "everybody"
    if text not in ("everybody", "administrators"):
        raise ImproperlyConfigured(f"PASSWORD_SIGN_IN={text!r} is not understood; write everybody or administrators.")
    if text == "administrators" and provider is None:
        raise ImproperlyConfigured(
            "PASSWORD_SIGN_IN=administrators shuts everybody else out where no provider is named; set OIDC_ISSUER too."
        )
    return text == "everybody"


def _is_safe(address: str, *, loopback: bool) -> bool:
    try:
        parts = urlsplit(address)
        host = parts.hostname or ""
    except ValueError:
        return False
    if parts.username is not None or parts.password is not None or not host:
        return False
    return parts.scheme == "https" or (loopback and parts.scheme == "http" and host in THIS_MACHINE)


def _name(text: str) -> str:
    if len(text) > LONGEST_NAME:
        raise ImproperlyConfigured(f"OIDC_NAME has {len(text)} characters; at most {LONGEST_NAME} are allowed.")
    return text or USUAL_NAME


def _flag(text: str) -> bool:
    if text not in ("", "True", "False"):
        raise ImproperlyConfigured(f"OIDC_LOGIN_EACH_TIME={text!r} is not understood; write True or False.")
    return text != "False"
