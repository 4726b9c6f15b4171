"""Writing about the unit itself: sites and the people who sign in."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from programme.core import trail
from programme.core.models import Site, User


class UnableToAdd(ValueError):
    """The site or user cannot be added; the message says which field and what is allowed."""


def add_site(*, code: str, name: str, at: datetime, **fields: Any) -> Site:
    """Add a day unit. Raises UnableToAdd with every fault of the fields."""
    site = Site(code=code, name=name, **fields)
    with transaction.atomic():  # the site and its first trail entry go together
        _check(site)
        site.save()
        said = trail.Change(site.pk, None, "added site", "site", site.pk, after={"code": code, "name": name})
        trail.write([said], actor=None, at=at)
    return site


def add_user(*, username: str, full_name: str, role: str, site: Site, password: str, at: datetime) -> User:
    """Add someone who signs in. Raises UnableToAdd with every fault of the fields or the password."""
    user = User(username=username, full_name=full_name, role=role, site=site)
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise UnableToAdd(f"password: {' '.join(error.messages)}") from error
    user.set_password(password)
    with transaction.atomic():  # the user and the trail entry go together
        _check(user)
        user.save()
        said = trail.Change(site.pk, None, "added user", "user", user.pk, after={"username": username, "role": role})
        trail.write([said], actor=None, at=at)
    return user


def _check(row: Site | User) -> None:
    try:
        row.full_clean()
    except ValidationError as error:
        faults = [f"{field}: {' '.join(messages)}" for field, messages in error.message_dict.items()]
        raise UnableToAdd("; ".join(faults)) from error
