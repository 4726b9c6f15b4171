"""Who saw what of a person: one entry of the trail for each page, person and quarter of an hour."""

from __future__ import annotations

from datetime import datetime

from django.core.cache import cache
from django.db import IntegrityError, transaction

from programme.core import trail
from programme.core.models import User

SAW = "saw"
AGAIN_AFTER_S = 900
"""The same page opened again by the same user within this time is the same look: a tablet asks every few seconds."""
TRIES = 40
"""Each time one of those who look at the same moment gets through, so so many may. Chosen here."""


def note(*, user: User, site_key: int, patient_key: int | None, page: str, at: datetime) -> None:
    """Write that `user` saw `page` of a person (None: of the whole unit), unless it was the same look as the last.

    site_key: the person's unit, in whose trail it stands, also where the user is of another.

    Looks are chained apart from changes, so that a page never waits for somebody who is changing the person. Of two
    who look at once one finds its number taken and tries again. What cannot be written is not shown: the error goes up.
    """
    look = f"saw-{user.pk}-{patient_key}-{page.replace(' ', '-')}"
    if not cache.add(look, True, AGAIN_AFTER_S):
        return
    try:
        _write(user, site_key, patient_key, page, at)
    except BaseException:
        cache.delete(look)
        raise


def _write(user: User, site_key: int, patient_key: int | None, page: str, at: datetime) -> None:
    said = trail.Change(site_key, patient_key, SAW, page, seen=True)
    for last_try in (False,) * (TRIES - 1) + (True,):
        try:
            with transaction.atomic():
                trail.write([said], actor=user, at=at)
            return
        except IntegrityError:
            if last_try:
                raise
