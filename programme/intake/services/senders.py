"""Who may send results: listing a sender, its token, revoking it. Only a digest of each token is kept."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import state_of
from programme.core import trail
from programme.core.models import Site, User
from programme.core.settings_of_site import site_settings
from programme.intake.models import Sender
from programme.intake.numeric.tokens import KINDS, USUAL_DAYS, BadToken, end_of, scope_of
from programme.intake.queries.senders import Presented

TOKEN_BYTES = 32
TOKEN_FIELDS = ("token_digest", "token_kinds", "token_since", "token_until", "token_used_at")
OLD_FIELDS = ("old_digest", "old_kinds", "old_until", "old_used_at")
NOTED_EVERY = timedelta(minutes=1)
"""A token in steady use is noted no more often: a write for each message would buy nothing."""


def digest_of_token(token: str) -> str:
    """Return what is kept of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


@transaction.atomic
def make_token(
    *, site: Site, name: str, at: datetime, actor: User | None = None, trusts_references: bool | None = None,
    days: int = USUAL_DAYS, kinds: Iterable[str] | None = None,
) -> str:  # fmt: skip
    """List a sender (again) and return its new token, which cannot be shown a second time.

    The token before opens for so many hours more as the site has decided, so that the laboratory can change over.

    trusts_references: None leaves it as it is, for a new sender False. days: until the token ends. kinds: of FHIR
    resources that it may be used for; None leaves them as they are, for a new sender all. Raises ValidationError.
    """
    row = Sender.objects.select_for_update().filter(site=site, name=name.strip()).first()
    before = None if row is None else state_of(row)
    try:
        until, scope = end_of(at, days), scope_of(kinds if kinds is not None else (row and row.kinds) or KINDS)
    except BadToken as refusal:
        raise ValidationError(str(refusal)) from refusal
    token = secrets.token_urlsafe(TOKEN_BYTES)
    if row is None:
        row = Sender(site=site, name=name.strip())
    _keep_old(row, until=at + timedelta(hours=site_settings(site, at)["token_grace_hours"]))
    row.token_digest, row.is_active, row.token_kinds = digest_of_token(token), True, scope
    row.token_since, row.token_until, row.token_used_at = at, until, None
    row.trusts_references = row.trusts_references if trusts_references is None else trusts_references
    row.full_clean()
    if before is None:
        row.save()
    else:
        row.save_changes([*TOKEN_FIELDS, *OLD_FIELDS, "is_active", "trusts_references"])
    _to_trail(row, "give sender a token", before, actor, at)
    return token


@transaction.atomic
def revoke_sender(*, row: Sender, version: int, actor: User | None, at: datetime) -> Sender:
    """Take nothing more from a sender; what it sent stays. Its token is known still, so that its use can be told."""
    if not row.is_active:
        raise ValidationError("This sender was revoked already.")
    before = state_of(row)
    _keep_old(row, until=at)
    row.is_active, row.token_digest, row.version = False, "", version
    row.save_changes(["is_active", "token_digest", *OLD_FIELDS])
    _to_trail(row, "revoke sender", before, actor, at)
    return row


def _keep_old(row: Sender, *, until: datetime) -> None:
    """Make the token of `row` its old one, which ends at `until` at the latest; without one the old one stays."""
    if row.token_digest and row.token_until is not None:
        row.old_digest, row.old_kinds, row.old_used_at = row.token_digest, row.token_kinds, row.token_used_at
        row.old_until = min(row.token_until, until)


def note_use(*, token: Presented, at: datetime) -> None:
    """Keep when a token was last used. No change of the sender: its version stays, and nothing goes to the trail."""
    which = "old" if token.is_old else "token"
    last, digest = (getattr(token.sender, f"{which}_{field}") for field in ("used_at", "digest"))
    if last is None or at - last >= NOTED_EVERY:
        Sender.objects.filter(pk=token.sender.pk, **{f"{which}_digest": digest}).update(**{f"{which}_used_at": at})


def _to_trail(
    row: Sender, action: str, before: dict[str, object] | None, actor: User | None, at: datetime
) -> None:  # fmt: skip
    entry = trail.Change(
        site_key=row.site_id, patient_key=None, action=action, row_kind=row._meta.label, row_key=row.pk,
        row_version=row.version, before=before, after=state_of(row),
    )  # fmt: skip
    trail.write([entry], actor=actor, at=at)
