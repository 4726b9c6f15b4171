"""A provider of OpenID Connect on this machine, for tests: it signs with a key of its own, and lies as it is told.

Written from OpenID Connect Core 1.0 (3.1), Discovery 1.0 (3), RP-Initiated Logout 1.0 (2) and RFC 7636 (4.6), and not
with the library that it tests against, but for making keys and signing.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import parse_qs, unquote, urlencode
from wsgiref.simple_server import WSGIRequestHandler, make_server

from joserfc import jwk, jwt

CLIENT_ID, CLIENT_SECRET = "ebbline", "a-secret-of-both"
Answer = tuple[int, dict[str, str], bytes]


class Quiet(WSGIRequestHandler):
    def log_message(self, *_: Any) -> None:
        pass


class TestProvider:
    """Signs everybody in as `subject` at once; what is set on it changes what it says.

    claims: over those of the ID token, None leaves one out. metadata: the same for what it says of itself. broken: by
    path, what is answered instead. seen: the queries with which people came, and the forms of the token address.
    """

    __test__ = False  # no test, whatever its name

    def __init__(self) -> None:
        self.subject = "8f1c-0042"
        self.claims: dict[str, Any] = {}
        self.metadata: dict[str, Any] = {}
        self.broken: dict[str, Callable[[], Answer]] = {}
        self.key = jwk.RSAKey.generate_key(2048, parameters={"kid": "one"}, private=True)
        self.published = [self.key]
        self.reuses_codes = False
        self.wants_secret_in_form = False
        self.asks_on_a_page = False
        self.codes: dict[str, dict[str, str]] = {}
        self.seen: dict[str, list[dict[str, str]]] = {"/authorize": [], "/token": [], "/end": []}
        self.asked: list[str] = []

    def application(self, environ: dict[str, Any], start: Callable[..., Any]) -> list[bytes]:
        path = environ["PATH_INFO"]
        self.asked.append(path)
        query = flat(environ["QUERY_STRING"])
        body = flat(environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0)).decode())
        if path in self.broken:
            status, headers, content = self.broken[path]()
        elif path == "/.well-known/openid-configuration":
            status, headers, content = as_json(200, {**self.about(), **self.metadata})
        elif path == "/jwks":
            status, headers, content = as_json(200, {"keys": [key.as_dict(private=False) for key in self.published]})
        elif path == "/token":
            self.seen["/token"].append(body)
            status, headers, content = self.token(body, environ.get("HTTP_AUTHORIZATION", ""))
        elif path == "/authorize":
            self.seen["/authorize"].append(query)
            status, headers, content = self.authorize(query)
        elif path == "/allowed":
            status, headers, content = self.allowed(query)
        elif path == "/end":
            self.seen["/end"].append(query)
            status, headers, content = 302, {"Location": query["post_logout_redirect_uri"]}, b""
        else:
            status, headers, content = 404, {}, b""
        start(f"{status} .", [("Content-Length", str(len(content))), *headers.items()])
        return [content]

    def about(self) -> dict[str, Any]:
        names = {"authorization_endpoint": "authorize", "token_endpoint": "token", "jwks_uri": "jwks"}
        return {
            "issuer": self.issuer,
            **{name: f"{self.issuer}/{path}" for name, path in names.items()},
            "end_session_endpoint": f"{self.issuer}/end",
            "id_token_signing_alg_values_supported": ["RS256"],
        }

    def authorize(self, query: dict[str, str]) -> Answer:
        if self.asks_on_a_page:
            link = f"/allowed?{urlencode(query)}"
            head = "<!doctype html><html lang=en><title>Login</title><link rel=icon href=data:,>"
            page = f"{head}<main><h1>Login</h1><a href='{link.replace('&', '&amp;')}'>It is me</a>"
            return 200, {"Content-Type": "text/html"}, page.encode()
        return self.allowed(query)

    def allowed(self, query: dict[str, str]) -> Answer:
        code = secrets.token_urlsafe(16)
        self.codes[code] = query
        said = urlencode({"code": code, "state": query["state"]})
        return 302, {"Location": f"{query['redirect_uri']}?{said}"}, b""

    def token(self, form: dict[str, str], authorization: str) -> Answer:
        code = form.get("code", "")
        asked = self.codes.get(code) if self.reuses_codes else self.codes.pop(code, None)
        scheme, _, packed = authorization.partition(" ")
        who = base64.b64decode(packed).decode() if scheme == "Basic" else ""
        if self.wants_secret_in_form:
            who = f"{form.get('client_id')}:{form.get('client_secret')}"
        if unquote(who) != f"{CLIENT_ID}:{CLIENT_SECRET}":
            return as_json(401, {"error": "invalid_client"})
        if asked is None or asked["redirect_uri"] != form["redirect_uri"] or not fits(asked, form):
            return as_json(400, {"error": "invalid_grant"})
        return as_json(200, {"access_token": "a", "token_type": "Bearer", "id_token": self.id_token(asked)})

    def id_token(self, asked: dict[str, str]) -> str:
        now = int(time.time())
        said = {
            "iss": self.issuer, "sub": self.subject, "aud": CLIENT_ID, "iat": now, "exp": now + 300, "auth_time": now,
            "nonce": asked["nonce"], **self.claims,
        }  # fmt: skip
        said = {name: value for name, value in said.items() if value is not None}
        return self.sign(said)

    def sign(self, said: dict[str, Any]) -> str:
        return jwt.encode({"alg": "RS256", "kid": "one"}, said, self.key)


def signed_by_hand(header: dict[str, Any], said: dict[str, Any], signature: Callable[[bytes], bytes]) -> str:
    """A token as no library would make it: RFC 7515 (2015), 3.1."""
    parts = [base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=") for part in (header, said)]
    last = base64.urlsafe_b64encode(signature(b".".join(parts))).rstrip(b"=")
    return b".".join([*parts, last]).decode()


def flat(text: str) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(text).items()}


def as_json(status: int, said: object) -> Answer:
    return status, {"Content-Type": "application/json"}, json.dumps(said).encode()


def fits(asked: dict[str, str], form: dict[str, str]) -> bool:
    """RFC 7636 (2015), 4.6: BASE64URL(SHA256(ASCII(code_verifier))) == code_challenge."""
    digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
    wanted = base64.urlsafe_b64encode(digest).decode().rstrip("=")
    return asked.get("code_challenge_method") == "S256" and asked.get("code_challenge") == wanted


@contextmanager
def served() -> Iterator[TestProvider]:
    """A provider that answers on this machine until the block ends."""
    provider = TestProvider()
    with make_server("127.0.0.1", 0, provider.application, handler_class=Quiet) as server:
        provider.issuer = f"http://127.0.0.1:{server.server_port}"
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        try:
            yield provider
        finally:
            server.shutdown()
            thread.join()
