"""Writing about the unit itself: sites, their texts, the people who sign in and the PINs they sign checks with."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

import holidays
from django.contrib.auth.hashers import check_password, make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from programme.core import trail, tries
from programme.core.models import Site, SiteText, TrailEntry, User
from programme.core.numeric.text_table import TEXTS
from programme.core.numeric.throttle import MOST_AT_A_SCREEN

PIN = re.compile(r"[0-9]{6,12}")
REFUSED = "refused a name and PIN"
TRIES, TRIES_WITHIN = 5, timedelta(minutes=15)
"""Wrong PINs after which nobody is asked again for a while, by the person named and by who is signed in. Chosen here;
not from a source."""


class UnableToAdd(ValueError):
    """The site or user cannot be added; the message says which field and what is allowed."""


def add_site(*, code: str, name: str, at: datetime, **fields: Any) -> Site:
    """Add a day unit. Raises UnableToAdd with every fault of the fields, or where its bank holidays are not known."""
    site = Site(code=code, name=name, **fields)
    with transaction.atomic():  # the site and its first trail entry go together
        _check(site)
        if fault := holidays_fault(site.country, site.region, at.year):
            raise UnableToAdd(fault)
        site.save()
        said = trail.Change(site.pk, None, "added site", "site", site.pk, after={"code": code, "name": name})
        trail.write([said], actor=None, at=at)
    return site


def holidays_fault(country: str, region: str, year: int) -> str:
    """Say why the bank holidays of a country and region are not known, and what is allowed; '' where they are.

    A region must be named where some region of the country has other holidays, this year or next: else days on which
    the unit and the blood bank are closed would count as working days.
    """
    regions = holidays.list_supported_countries(include_aliases=False).get(country)
    if regions is None:
        known = ", ".join(sorted(holidays.list_supported_countries(include_aliases=False)))
        return f"country: bank holidays of {country!r} are not known; allowed are the ISO 3166 codes {known}."
    allowed = ", ".join(regions)
    if region and region not in regions:
        return f"region: {country} has no region {region!r}; allowed is {allowed or 'none: leave it empty'}."

    def days(subdivision: str | None) -> set[date]:
        return set(holidays.country_holidays(country, subdiv=subdivision, years=[year, year + 1]))

    alone = days(None)
    if not region and any(days(one) != alone for one in regions):
        return f"region: bank holidays of {country} differ by region; name one of {allowed}."
    return ""


def add_user(
    *,
    username: str,
    full_name: str,
    role: str,
    site: Site,
    password: str,
    at: datetime,
    actor: User | None = None,
    initial_until: datetime | None = None,
) -> User:
    """Add someone who signs in; actor: None from the command line. initial_until: see User.initial_password_until.

    Raises UnableToAdd with every fault of the fields or the password.
    """  # fmt: skip
    user = User(username=username, full_name=full_name, role=role, site=site, initial_password_until=initial_until)
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise UnableToAdd(f"password: {' '.join(error.messages)}") from error
    user.set_password(password)
    with transaction.atomic():  # the user and the trail entry go together
        _check(user)
        user.save()
        said = trail.Change(site.pk, None, "added user", "user", user.pk, after={"username": username, "role": role})
        trail.write([said], actor=actor, at=at)
    return user


def _check(row: Site | User) -> None:
    try:
        row.full_clean()
    except ValidationError as error:
        faults = [f"{field}: {' '.join(messages)}" for field, messages in error.message_dict.items()]
        raise UnableToAdd("; ".join(faults)) from error


def set_pin(*, user: User, pin: str, at: datetime) -> None:
    """Give somebody the PIN that signs a second check at another person's screen; only its hash is kept.

    Raises ValidationError for one that is not 6 to 12 digits, is one digit over and over, or counts up or down.
    """
    steps = {int(after) - int(before) for before, after in pairwise(pin)} if PIN.fullmatch(pin) else None
    if steps is None:
        raise ValidationError({"pin": "A PIN has 6 to 12 digits."})
    if steps in ({0}, {1}, {-1}):
        raise ValidationError({"pin": "This PIN is too easy to guess: no one digit repeated, no counting up or down."})
    with transaction.atomic():  # the PIN and its trail entry go together
        user.checking_pin = make_password(pin)
        user.save(update_fields=["checking_pin"])
        trail.write([trail.Change(user.site_id, None, "set own PIN", "user", user.pk)], actor=user, at=at)


def prove(*, username: str, secret: str, site: Site, actor: User, at: datetime, instead: str) -> User:
    """Return the person of the site who typed their own name and PIN, or password, at the screen of `actor`.

    instead: what that person can do without this screen, said after too many failures: '…: {instead}, or wait.'
    Each failure is kept in the trail, also where the caller goes on to refuse; call it outside the transaction of what
    is to be signed. Raises ValidationError, the same for a wrong name as for a wrong PIN, and after too many failures:
    five in a quarter of an hour, or ten in a row before they sign in themselves.
    """
    with transaction.atomic():
        Site.objects.select_for_update().get(pk=site.pk)  # so that tries at once are counted one after the other
        user = User.objects.filter(username=username.strip(), site=site, is_active=True).first()
        refused = TrailEntry.objects.filter(chain=f"site:{site.pk}", action=REFUSED, at__gt=at - TRIES_WITHIN)
        named = Q(row_key=user.pk) if user else Q(row_key=None)
        if max(refused.filter(named).count(), refused.filter(actor=actor).count()) >= TRIES:
            raise ValidationError(f"{TRIES} wrong PINs within {TRIES_WITHIN.seconds // 60} min: {instead}, or wait.")
        if user and tries.is_closed_at_screens(user):
            raise ValidationError(
                f"After {MOST_AT_A_SCREEN} wrong PINs in a row: {instead}. Signing in opens it again."
            )
        # An unknown name costs the same time as a known one, so that the answer does not tell them apart.
        if user and (_is_pin_of(user, secret) or (not user.initial_password_until and user.check_password(secret))):
            tries.forget(user, tries.AT_A_SCREEN)
            return user
        if user:
            tries.count(tries.account_of(user.username), tries.AT_A_SCREEN, user=user, at=at)
        else:
            check_password(secret, make_password("nobody"))
        # What was typed as the name of nobody may have been a PIN or password: it is kept nowhere.
        named_as = {"username": user.username} if user else None
        said = trail.Change(site.pk, None, REFUSED, "user", user.pk if user else None, after=named_as)
        trail.write([said], actor=actor, at=at)
    raise ValidationError("Name and PIN do not fit together. Each wrong try is recorded.")


def _is_pin_of(user: User, secret: str) -> bool:
    return bool(user.checking_pin) and check_password(secret, user.checking_pin)


@transaction.atomic
def change_text(*, site: Site, name: str, text: str, was: int, reason: str, actor: User, at: datetime) -> SiteText:
    """Put a dated wording of one of the site's texts in force, with who and why; earlier ones stay.

    was: key of the wording in force when the form was opened, 0 for the default. Raises ValidationError for a text that
    is not known or too long, a missing reason, no change, or a wording that somebody else changed meanwhile.
    """
    if name not in TEXTS:
        raise ValidationError({"text": f"{name!r} is no text; known are {', '.join(TEXTS)}."})
    Site.objects.select_for_update().get(pk=site.pk)
    newest = SiteText.objects.filter(site=site, name=name).order_by("since", "pk").last()
    in_force = newest.text if newest else TEXTS[name].default
    if (newest.pk if newest else 0) != was:
        raise ValidationError({"text": "Somebody changed it meanwhile; open the page again and read theirs first."})
    try:
        row = SiteText(site=site, name=name, text=TEXTS[name].check(plain(text)), since=at, by=actor)
    except ValueError as error:
        raise ValidationError({"text": str(error)}) from error
    if row.text == in_force:
        raise ValidationError({"text": "This wording is in force already."})
    if not reason.strip():
        raise ValidationError({"reason": "Say why: the reason is kept with the change."})
    row.reason = reason.strip()
    row.full_clean(exclude=["text"])  # a site may also leave a text empty
    row.save()
    said = trail.Change(
        site.pk, None, "change text", "core.SiteText", row.pk, why=row.reason,
        before={"name": name, "text": in_force}, after={"name": name, "text": row.text},
    )  # fmt: skip
    trail.write([said], actor=actor, at=at)
    return row


def plain(text: str) -> str:
    """Return a text with the line ends that are stored: browsers send two characters for one."""
    return text.replace("\r\n", "\n").strip()
