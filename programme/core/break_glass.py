"""Breaking the glass: somebody of another unit who must see a person reads their pages for some hours, and it is loud.

Who asks names the person by reference and birth date, as somebody does before whom the person lies. What does not fit
tells nothing and is counted. Nothing can be written through broken glass.
"""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model, QuerySet

from programme.core import trail
from programme.core.models import BrokenGlass, GlassReason, Site, TrailEntry, User
from programme.core.numeric import throttle

BROKE, REFUSED, ACKNOWLEDGED = "broke the glass", "refused to break the glass", "acknowledged broken glass"
OPEN_FOR = timedelta(hours=4)
"""Long enough for the first hours of somebody admitted elsewhere, and over before the next shift. Chosen here."""
COUNTED_FOR = timedelta(hours=24)
"""Wrong tries of one user count so long, whatever fitted between them. Chosen here."""
UNKNOWN = (
    "Reference and birth date do not fit together at any other unit, or more than once. Nothing was opened. Ask the "
    "person's own unit by telephone; after five wrong tries the next one waits, longer each time."
)
OWN = (
    "Your own unit has somebody with this reference: look on the list. Somebody of another unit with the same one "
    "cannot be opened here, so that the two are never taken for each other."
)
Row = TypeVar("Row", bound=Model)


def in_force(user: User, at: datetime) -> dict[int, BrokenGlass]:
    """Return by patient key what `user` may read of people elsewhere at this moment. One query."""
    rows = BrokenGlass.objects.filter(user=user, until__gt=at).select_related("site").order_by("since")
    return {row.patient_key: row for row in rows}


def find(*, people: QuerySet[Row], patient_ref: str, birth_date: date, user: User, at: datetime) -> Row:
    """Return the one person of another unit with this reference and birth date; call it outside a transaction.

    A failure is kept in the trail of the unit of `user`, without what was typed, also where nothing follows.
    Raises ValidationError, the same for an unknown reference as for a wrong birth date, and while the next try waits.
    """
    if people.filter(site_id=user.site_id, patient_ref=patient_ref).exists():
        raise ValidationError(OWN)
    with transaction.atomic():
        Site.objects.select_for_update().get(pk=user.site_id)  # so that tries at once are counted one after the other
        _refuse_while_waiting(user, at)
        found = list(people.filter(patient_ref=patient_ref, birth_date=birth_date).exclude(site_id=user.site_id)[:2])
        if len(found) == 1:
            return found[0]
        trail.write([trail.Change(user.site_id, None, REFUSED, "user", user.pk)], actor=user, at=at)
    raise ValidationError(UNKNOWN)


def _refuse_while_waiting(user: User, at: datetime) -> None:
    refused = TrailEntry.objects.filter(chain=f"site:{user.site_id}", action=REFUSED, actor=user)
    times = list(refused.filter(at__gt=at - COUNTED_FOR).order_by("-number").values_list("at", flat=True))
    left = times[0] + timedelta(seconds=throttle.wait_s(len(times))) - at if times else timedelta()
    if left > timedelta():
        minutes = math.ceil(left.total_seconds() / 60)
        raise ValidationError(f"After {len(times)} wrong tries the next one waits for {minutes} min.")


@transaction.atomic
def break_it(*, people: QuerySet[Row], patient: Any, kind: str, words: str, user: User, at: datetime) -> BrokenGlass:
    """Let `user` read the pages of `patient`, of another unit, for OPEN_FOR; both units' trails say so at once.

    Raises ValidationError without a reason in words.
    """
    if not words.strip():
        raise ValidationError({"words": "Say why: their own unit reads it."})
    held: Any = people.select_for_update().get(pk=patient.pk)
    row = BrokenGlass(
        user=user, site_id=held.site_id, patient_key=held.pk, kind=kind, words=words.strip(), since=at,
        until=at + OPEN_FOR,
    )  # fmt: skip
    row.full_clean()
    row.save()
    why = f"{GlassReason(kind).label}: {row.words}"[:400]
    after = {"who": user.full_name, "role": user.role, "unit": user.site.name, "until": row.until.isoformat()}
    at_theirs = trail.Change(held.site_id, held.pk, BROKE, "broken glass", row.pk, why=why, after=after)
    at_own = trail.Change(user.site_id, None, BROKE, "user", user.pk)
    trail.write([at_theirs, at_own], actor=user, at=at)
    return row


def unseen(site: Site, patient_key: int | None = None) -> list[BrokenGlass]:
    """Return what nobody at the unit of the people concerned has acknowledged yet, oldest first. One query."""
    rows = BrokenGlass.objects.filter(site=site, seen_by=None).select_related("user__site").order_by("since")
    return list(rows if patient_key is None else rows.filter(patient_key=patient_key))


@transaction.atomic
def acknowledge(*, people: QuerySet[Row], patient: Any, key: int, actor: User, at: datetime) -> None:
    """Note who of the person's own unit has read that the glass was broken; a second time changes nothing.

    Raises BrokenGlass.DoesNotExist where there is no such row of this person.
    """
    held: Any = people.select_for_update().get(pk=patient.pk)
    row = BrokenGlass.objects.get(pk=key, patient_key=held.pk, site_id=actor.site_id)
    if row.seen_by_id is not None:
        return
    row.seen_by, row.seen_at = actor, at
    row.save(update_fields=["seen_by", "seen_at"])
    said = trail.Change(held.site_id, held.pk, ACKNOWLEDGED, "broken glass", row.pk)
    trail.write([said], actor=actor, at=at)
