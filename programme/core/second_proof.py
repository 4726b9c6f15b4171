"""The second proof at sign-in: six digits from a telephone (RFC 6238), or one of ten recovery codes, each once.

The secret is reckoned from a random salt and this installation's secret key, so that a copy of the database alone lets
nobody in. With another key every second proof must be set up anew; recovery codes go on working.
"""

from __future__ import annotations

import base64
import re
import secrets
from datetime import datetime
from urllib.parse import quote, urlencode

import segno
from django.contrib.auth.hashers import check_password, make_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.crypto import salted_hmac
from django_otp.oath import TOTP

from programme.core import trail
from programme.core.models import RecoveryCode, User

SET_UP, TURNED_OFF, RESET = "set up second proof", "turned second proof off", "reset second proof"
NEW_CODES, USED_CODE = "made new recovery codes", "used a recovery code"
STEPS_OFF = 1
"""Steps of 30 s by which a telephone's clock may be off, either way: RFC 6238, 5.2 and 6."""
SECRET_BYTES = 20
"""RFC 4226, 4 (R6): 160 bits are recommended."""
SIX_DIGITS = re.compile(r"[0-9]{6}")
ALPHABET = "23456789abcdefghjkmnpqrstuvwxyz"  # without signs that are read for one another
CODES, CODE_LENGTH = 10, 10


def new_salt() -> str:
    return secrets.token_hex(32)


def secret_of(salt: str) -> bytes:
    """Return the secret that telephone and server share."""
    return bytes(salted_hmac("second proof", salt, algorithm="sha256").digest()[:SECRET_BYTES])


def typed_secret(salt: str) -> str:
    """Return the secret to be typed by hand: base 32, in groups of four."""
    text = base64.b32encode(secret_of(salt)).decode()
    return " ".join(text[start : start + 4] for start in range(0, len(text), 4))


def address_for_telephone(salt: str, user: User) -> str:
    """Return what the square picture says, in the form that authenticator applications read."""
    asked = urlencode({"secret": typed_secret(salt).replace(" ", ""), "issuer": "Ebbline"})
    return f"otpauth://totp/Ebbline:{quote(user.username)}?{asked}"


def square_picture(address: str) -> str:
    """Return the square picture of an address as an image that needs no other file and no style."""
    return str(segno.make(address, error="m").svg_data_uri(scale=5, border=4, light="#fff"))


def step_of(code: str, *, secret: bytes, after_step: int, at: datetime) -> int | None:
    """Return the step of 30 s to which six digits belong, later than `after_step`; None if they do not fit."""
    if not SIX_DIGITS.fullmatch(code):
        return None
    clock = TOTP(secret)
    clock.time = at.timestamp()
    return int(clock.t()) if clock.verify(int(code), tolerance=STEPS_OFF, min_t=after_step + 1) else None


def plain(code: str) -> str:
    """Return what was typed without spaces and dashes."""
    return re.sub(r"[\s\u2010-\u2015-]", "", code).lower()


@transaction.atomic
def set_up(*, user: User, salt: str, code: str, at: datetime) -> tuple[str, ...]:
    """Turn the second proof on once `code` shows that the telephone has the secret; return the recovery codes.

    Raises ValidationError when the digits do not fit, or when it is on already.
    """
    held = User.objects.select_for_update().get(pk=user.pk)
    if held.has_second_proof:
        raise ValidationError("A second proof is set up already; turn it off first.")
    step = step_of(plain(code), secret=secret_of(salt), after_step=0, at=at)
    if step is None:
        raise ValidationError("These six digits do not fit. Is the telephone's clock right? Type those shown now.")
    user.second_proof_salt, user.second_proof_since, user.second_proof_last_step = salt, at, step
    user.save(update_fields=["second_proof_salt", "second_proof_since", "second_proof_last_step"])
    _say(SET_UP, user, actor=user, at=at)
    return _new_codes(user)


@transaction.atomic
def renew_codes(*, user: User, at: datetime) -> tuple[str, ...]:
    """Return ten new recovery codes; the earlier ones are worth nothing from now on."""
    _say(NEW_CODES, user, actor=user, at=at)
    return _new_codes(user)


@transaction.atomic
def turn_off(*, user: User, at: datetime) -> None:
    """Turn the own second proof off. Raises ValidationError where the person's role must have one."""
    if user.must_have_second_proof:
        raise ValidationError("Your role signs in with a second proof here; it cannot be turned off.")
    _clear(user)
    _say(TURNED_OFF, user, actor=user, at=at)


@transaction.atomic
def reset(*, user: User, reason: str, at: datetime, actor: User | None = None) -> None:
    """Take the second proof from somebody who lost it; actor: None from the command line.

    Raises ValueError without a reason, or where there is none to take.
    """
    if not reason.strip():
        raise ValueError("Say why: the reason is kept in the trail.")
    if not user.has_second_proof:
        raise ValueError(f"{user.full_name} has no second proof.")
    _clear(user)
    _say(RESET, user, actor=actor, at=at, why=reason.strip())


def fits(*, user: User, code: str, at: datetime) -> bool:
    """Say whether these are digits or a recovery code of `user`, and use them up: nothing fits twice."""
    given = plain(code)
    if SIX_DIGITS.fullmatch(given):
        last = user.second_proof_last_step
        step = step_of(given, secret=secret_of(user.second_proof_salt), after_step=last, at=at)
        mine = User.objects.filter(pk=user.pk, second_proof_last_step__lt=step or 0)
        return step is not None and bool(mine.update(second_proof_last_step=step))
    if len(given) != CODE_LENGTH:
        return False
    for row in user.recovery_codes.filter(used_at=None):
        if check_password(given, row.code_hash):
            return _use(row, user, at)
    return False


@transaction.atomic
def _use(row: RecoveryCode, user: User, at: datetime) -> bool:
    used = bool(RecoveryCode.objects.filter(pk=row.pk, used_at=None).update(used_at=at))
    if used:
        _say(USED_CODE, user, actor=user, at=at)
    return used


def _new_codes(user: User) -> tuple[str, ...]:
    codes = ["".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH)) for _ in range(CODES)]
    user.recovery_codes.all().delete()
    RecoveryCode.objects.bulk_create(RecoveryCode(user=user, code_hash=make_password(code)) for code in codes)
    return tuple(f"{code[:5]}-{code[5:]}" for code in codes)


def _clear(user: User) -> None:
    user.second_proof_salt, user.second_proof_since, user.second_proof_last_step = "", None, 0
    user.save(update_fields=["second_proof_salt", "second_proof_since", "second_proof_last_step"])
    user.recovery_codes.all().delete()


def _say(action: str, user: User, *, actor: User | None, at: datetime, why: str = "") -> None:
    trail.write([trail.Change(user.site_id, None, action, "user", user.pk, why=why)], actor=actor, at=at)
