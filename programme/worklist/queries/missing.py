"""Results after a session that is over which have not come: nobody opens its page again, so the list says it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Exists, OuterRef, Q

from patients.models import Analyte, Genotype, LabResult
from programme.core.models import Site
from programme.intake.models import InboxItem
from programme.worklist.numeric.words import missing_words
from sessions.day.models import Entry, Prescription
from sessions.day.numeric.entries import SAMPLE
from sessions.models import ExchangeSession, Position, State


@dataclass(frozen=True, slots=True)
class Missing:
    """The session after which results have not come, and in words which; None and '' where all have."""

    key: int | None = None
    words: str = ""


def missing_after(
    site: Site, today: date, *, look_back_days: int, only: Collection[int] | None = None
) -> dict[int, Missing]:
    """Return of whom results after the last session have not come, from the day after it, by person; one query.

    Sessions that were carried out here, by a signed plan, and after which a sample was noted: of those brought in
    nobody knows what was measured, and where none was taken nothing comes. A result that waits in the inbox has come.
    look_back_days: after so long no result is asked for of that session. only: keys of these people alone.
    """
    theirs = {} if only is None else {"patient__in": only}
    later = ExchangeSession.objects.carried_out().filter(patient=OuterRef("patient"), on__gt=OuterRef("on"))
    signed = Prescription.objects.filter(exchange_session=OuterRef("pk"), authorised_at__isnull=False)
    sampled = Entry.objects.filter(exchange_session=OuterRef("pk"), kind=SAMPLE)
    rows: Any = ExchangeSession.objects.carried_out().filter(
        Exists(signed), Exists(sampled), ~Exists(later), patient__site=site, state__in=(State.CLOSED, State.ABANDONED),
        on__gte=today - timedelta(days=look_back_days), on__lt=today, **theirs,
    )  # fmt: skip
    rows = rows.annotate(hb=_has_come(Analyte.HB), hbs=_has_come(Analyte.HBS), hbc=_has_come(Analyte.HBC))
    found = {}
    for pk, key, on, genotype, *here in rows.order_by("on", "pk").values_list(
        "patient_id", "pk", "on", "patient__genotype", "hb", "hbs", "hbc"
    ):
        wanted = ("Hb", "HbS", "HbC") if genotype == Genotype.SC else ("Hb", "HbS")
        if words := missing_words(dict(zip(wanted, here, strict=False)), on, today):
            found[pk] = Missing(key, words)
    return found


def _has_come(analyte: str) -> Q:
    """Whether a result of this kind follows the session of the row, or waits in the inbox and may do so."""
    linked = LabResult.objects.in_force().filter(
        analyte=analyte, link__exchange_session=OuterRef("pk"), link__position=Position.AFTER
    )
    waits = InboxItem.objects.waiting().filter(
        patient=OuterRef("patient"), result__analyte=analyte, result__taken_at__gt=OuterRef("started_at")
    )
    return Q(Exists(linked)) | Q(Exists(waits))
