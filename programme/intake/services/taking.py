"""From arrivals to stored results: code and unit, person, version, plausibility; what is in doubt waits in the inbox.

All of a message is one transaction. Facts are renewed, signed plans lapse and pages are told once for each person.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError

from patients.models import LabResult, Patient, ResultStatus
from patients.services import change_of, finish_change, new_result, newer_result
from programme.core import trail
from programme.intake.models import Became, InboxItem, ItemState, RawMessage, ReadResult, Severity
from programme.intake.numeric import codes, plausible
from programme.intake.numeric.arrivals import CORRECTED, FINAL, STATUSES, WITHDRAWN, Arrival
from programme.intake.numeric.matching import Matched, Unmatched, match
from programme.intake.queries.known import (
    local_meanings,
    newest_row,
    people_near,
    recorded_antibodies,
    recorded_group,
    trusts_references,
)
from programme.intake.queries.tube import rows_of_moment
from programme.intake.services.afterwards import ask_where_it_belongs, tell_of_lapsed_plans
from programme.intake.services.high_hb import tell_of_high_hb
from programme.intake.services.samples import doubt_about_result, doubt_about_sample, hold_row, is_one_tube
from programme.intake.services.screens import record_screen, take_back_screen

STOPS = frozenset(
    {
        "two_people_fit",
        "same_id_other_content",
        "group_differs",
        "withdrawn_unmatched",
        "far_from_last",
        "same_sample",
        "after_withdrawal",
        "plan_lapsed",
        "antibody_screen",
    }
)
NOT_SAME = ("position", "method", "comment")
MOST_NEAR = 4
Sample = tuple[str, datetime | None]
"""Reference and time: what was sent for one person and one moment is taken as one sample, in whatever messages."""


@dataclass(frozen=True, slots=True)
class Decided:
    """What a person decided about one arrival: whose it is, or that it is to be read again whatever came before."""

    patient: Patient | None = None
    again: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one arrival."""

    became: str
    result: LabResult | None = None
    patient: Patient | None = None
    reason: str = ""
    sentence: str = ""
    about: dict[str, Any] = field(default_factory=dict)


def take(raw: RawMessage, arrivals: Sequence[Arrival], *, at: datetime) -> None:
    """File what is in a message, or let it wait; part of the transaction that marks the message as read."""
    taking = Taking(raw, at)
    taking.look_at_samples([one for one in arrivals if not taking.is_old(one)])
    for number, arrival in enumerate(arrivals):
        outcome = taking.one(arrival)
        read = ReadResult.objects.create(
            raw=raw,
            number=number,
            site_id=raw.site_id,
            source=arrival.source,
            sent_id=arrival.result_id,
            status=arrival.status,
            digest=digest_of(arrival),
            said=arrival.said(),
            became=outcome.became,
            result=outcome.result,
        )
        taking.tell(read, outcome)
    taking.hold_the_rest()
    taking.finish(actor=None)


def digest_of(arrival: Arrival) -> str:
    """Return the SHA-256 of what a result says, its place in the message and remarks beside it left out."""
    said = {name: value for name, value in arrival.said().items() if name not in NOT_SAME}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


class Taking:
    """The taking of one message, or of one arrival of it that a person decided about."""

    def __init__(self, raw: RawMessage, at: datetime) -> None:
        self.raw, self.at, self.site = raw, at, raw.site
        self.zone = ZoneInfo(raw.site.time_zone)
        self.local = local_meanings(raw.site, at.astimezone(self.zone).date())
        self.trusted = trusts_references(raw.site, raw.sender)
        self.samples: dict[Sample, plausible.Doubt] = {}
        self.doubtful: list[tuple[Patient, plausible.Doubt, list[Arrival]]] = []
        self.people: dict[tuple[str, date | None], Patient | Unmatched] = {}
        self.entries: defaultdict[Patient, list[trail.Change]] = defaultdict(list)
        self.filed: list[LabResult] = []

    def look_at_samples(self, arrivals: Sequence[Arrival], whose: Patient | None = None) -> None:
        """Find samples in which something contradicts: another person in the tube, fractions that do not add up.

        whose: whose samples they are, where a person said so.
        """
        of_sample: defaultdict[Sample, list[Arrival]] = defaultdict(list)
        for arrival in arrivals:
            of_sample[arrival.reference, arrival.taken_at].append(arrival)
        for sample, sent in of_sample.items():
            found = whose or self._person(sent[0])
            patient = found if isinstance(found, Patient) else None
            doubt = doubt_about_sample(sent, patient, raw=self.raw, local=self.local)
            if doubt is not None:
                self.samples[sample] = doubt
                if patient is not None:
                    self.doubtful.append((patient, doubt, sent))

    def is_old(self, arrival: Arrival) -> bool:
        """Say whether an arrival changes nothing, so that nothing else is to be doubted for it."""
        before = self._said_before(arrival, Decided())
        return before is not None and before.became in (Became.SAME, Became.OVERTAKEN)

    def one(self, arrival: Arrival, decided: Decided = Decided()) -> Outcome:
        """Return what becomes of one arrival, with its row stored where it can be."""
        overtaken = self._said_before(arrival, decided)
        if overtaken is not None:
            return overtaken
        if arrival.code == codes.ANTIBODY_SCREEN:
            take_back_screen(site=self.site, arrival=arrival, at=self.at)
        if arrival.status == WITHDRAWN:
            return self._withdraw(arrival)
        if arrival.code == codes.BLOOD_GROUP:
            return self._group(arrival, decided.patient)
        if arrival.code == codes.ANTIBODY_SCREEN:
            return self._antibody_screen(arrival, decided.patient)
        if codes.is_ignored(arrival, self.local):
            return Outcome(Became.IGNORED)
        measured = codes.read_value(arrival, self.local)
        if isinstance(measured, codes.NotTaken):
            about = {"units": list(measured.possible_units), "analyte": measured.analyte}
            found = decided.patient or self._person(arrival)
            whose = found if isinstance(found, Patient) else None
            return Outcome(Became.WAITS, None, whose, measured.reason, measured.sentence, about)
        found = decided.patient or self._person(arrival)
        if isinstance(found, Unmatched):
            near = list(found.near[:MOST_NEAR])
            return Outcome(Became.WAITS, None, None, found.reason, found.sentence, {"near": near})
        if arrival.taken_at is None:
            return Outcome(Became.WAITS, None, found, "no_time", "No time of the sample was sent.")
        return self._file(arrival, measured, found, arrival.taken_at)

    def _said_before(self, arrival: Arrival, decided: Decided) -> Outcome | None:
        """Return what becomes of an arrival whose id came before, None where it is to be taken."""
        if decided != Decided():
            return None
        rows = ReadResult.objects.filter(site=self.site, source=arrival.source, sent_id=arrival.result_id)
        seen = list(rows.exclude(became=Became.IGNORED).select_related("raw").defer("raw__body").order_by("pk"))
        newest = next((one for one in reversed(seen) if one.became not in (Became.SAME, Became.OVERTAKEN)), None)
        digest = digest_of(arrival)
        said = [one for one in seen if one.digest == digest]
        if any(one == newest or self._came_again(one.raw) for one in said):
            return Outcome(Became.SAME)
        if arrival.status in (FINAL, CORRECTED) and _withdrawn_before(seen):
            words = f"{arrival.source} withdrew {arrival.result_id} and sends it again as {arrival.status}, "
            words += f"with {'the same' if said else 'other'} content. It does not count until somebody decides."
            found = self._person(arrival)
            whose = found if isinstance(found, Patient) else None
            return Outcome(Became.WAITS, None, whose, "after_withdrawal", words)
        rank = STATUSES.index(arrival.status)
        highest = max((STATUSES.index(one.status) for one in seen), default=-1)
        is_withdrawn = newest is not None and newest.status == arrival.status == WITHDRAWN
        if rank < highest or is_withdrawn:
            return Outcome(Became.OVERTAKEN)
        stored = any(one.result_id is not None for one in seen)
        if rank == highest and stored and arrival.status in (FINAL, CORRECTED):
            row = newest_row(self.site, arrival.source, arrival.result_id)
            words = f"{arrival.source} sent {arrival.result_id} as {arrival.status} before, with other content. "
            words += "" if row is None else f"The earlier {row.value:g} {row.unit} stays until somebody decides."
            whose = None if row is None else row.patient
            return Outcome(Became.WAITS, None, whose, "same_id_other_content", words)
        return None

    def _came_again(self, raw: RawMessage) -> bool:
        """Say whether the message in hand is another one sent under the same id: what is the same in it is no news."""
        return raw.pk != self.raw.pk and (raw.sender, raw.message_id) == (self.raw.sender, self.raw.message_id)

    def _person(self, arrival: Arrival) -> Patient | Unmatched:
        said = (arrival.reference, arrival.birth_date)
        if said not in self.people:
            self.people[said] = self._found(*said)
        return self.people[said]

    def _found(self, reference: str, birth_date: date | None) -> Patient | Unmatched:
        found = match(reference, birth_date, people_near(self.site, reference, birth_date), trusted=self.trusted)
        if isinstance(found, Matched):
            return Patient.objects.select_for_update(of=("self",)).select_related("site").get(pk=found.key)
        return found

    def _withdraw(self, arrival: Arrival) -> Outcome:
        old = newest_row(self.site, arrival.source, arrival.result_id)
        if old is None or old.status == ResultStatus.WITHDRAWN:
            return Outcome(Became.NOTED)
        if old.patient.patient_ref != arrival.reference:
            words = f"{arrival.source} withdraws {arrival.result_id} for {arrival.reference}; "
            words += f"here it is a result of {old.patient.patient_ref}. It still counts until somebody decides."
            return Outcome(Became.WAITS, None, old.patient, "withdrawn_unmatched", words, {"old": old.pk})
        row = newer_result(
            old, status=ResultStatus.WITHDRAWN, value=old.value, why=f"withdrawn by {arrival.source}"[:200], at=self.at
        )
        self._store(row, arrival, "withdrawn result")
        words = f"Withdrawn by {arrival.source}: {old.get_analyte_display()} {old.value:g} {old.unit} of "
        words += f"{old.taken_on:%-d %b %Y}. It is out of the course already."
        return Outcome(Became.FILED, row, old.patient, "withdrawn", words)

    def _group_doubt_of_sample(self, arrival: Arrival) -> plausible.Doubt | None:
        doubt = self.samples.get((arrival.reference, arrival.taken_at))
        return doubt if doubt is not None and doubt.reason == "group_differs" else None

    def _group(self, arrival: Arrival, chosen: Patient | None) -> Outcome:
        """A group is compared and never filed: what blood somebody gets is entered by people."""
        found, sent = chosen or self._person(arrival), codes.read_group(arrival.value_text)
        if isinstance(found, Unmatched):
            return Outcome(Became.WAITS, None, None, found.reason, found.sentence, {"near": list(found.near)})
        recorded = recorded_group(found)
        doubt = (plausible.group_doubt(sent, recorded) if sent else None) or self._group_doubt_of_sample(arrival)
        if doubt is not None:
            return Outcome(Became.WAITS, None, found, doubt.reason, doubt.sentence)
        if sent and recorded:
            return Outcome(Became.NOTED, None, found)
        words = f"Group {arrival.value_text[:24]!r} arrived and none is recorded that it could be compared with."
        return Outcome(Became.WAITS, None, found, "group_not_recorded", words)

    def _antibody_screen(self, arrival: Arrival, chosen: Patient | None) -> Outcome:
        """A screen is never filed: people ask the blood bank and record each antibody. A negative one is a check."""
        found = chosen or self._person(arrival)
        if isinstance(found, Unmatched):
            return Outcome(Became.WAITS, None, None, found.reason, found.sentence, {"near": list(found.near)})
        doubt = self._group_doubt_of_sample(arrival)
        if codes.screen_is_negative(arrival.value_text):
            if doubt is None:
                record_screen(patient=found, arrival=arrival, at=self.at)
                return Outcome(Became.NOTED, None, found)
            return Outcome(Became.WAITS, None, found, doubt.reason, doubt.sentence)
        known = ", ".join(recorded_antibodies(found)) or "none"
        words = f"Antibody screen: {arrival.value_text[:40]!r}. Recorded antibodies: {known}. "
        words += "A new one must be recorded before blood is ordered."
        words += "" if doubt is None else f" From the same sample: {doubt.sentence}"
        return Outcome(Became.WAITS, None, found, "antibody_screen", words)

    def _file(self, arrival: Arrival, measured: codes.Measured, patient: Patient, taken_at: datetime) -> Outcome:
        old = newest_row(self.site, arrival.source, arrival.result_id)
        if old is not None and old.status == ResultStatus.WITHDRAWN and old.patient_id != patient.pk:
            old = None  # taken back for somebody else: nothing of this person's is replaced
        doubt = doubt_about_result(arrival, measured, patient, raw=self.raw, old=old)
        doubt = self._with_sample(doubt, self.samples.get((arrival.reference, arrival.taken_at)))
        if doubt is not None and doubt.reason in ("future", "before_birth"):
            return Outcome(Became.WAITS, None, patient, doubt.reason, doubt.sentence)
        if old is not None and (old.patient_id, old.analyte) != (patient.pk, measured.analyte):
            words = f"{arrival.source} sent {arrival.result_id} before for {old.patient.patient_ref} as "
            words += f"{old.get_analyte_display()} {old.value:g} {old.unit}. That stays until somebody decides."
            return Outcome(Became.WAITS, None, patient, "same_id_other_content", words, {"old": old.pk})
        held = "" if doubt is None else doubt.sentence[:200]
        try:
            row = self._row(arrival, measured, patient, taken_at, old)
            row.held_reason = held
            self._store(row, arrival, f"{arrival.status} result")
        except ValidationError as error:
            return Outcome(Became.WAITS, None, patient, "impossible", " ".join(error.messages)[:600])
        if doubt is not None and held:
            return Outcome(Became.HELD, row, patient, doubt.reason, doubt.sentence)
        return Outcome(Became.FILED, row, patient)

    def _with_sample(self, own: plausible.Doubt | None, sample: plausible.Doubt | None) -> plausible.Doubt | None:
        """Return a result's own doubt, with what stands against its sample said beside it."""
        if sample is None or own is None:
            return own or (None if sample is None else _of_a_value(sample))
        if own.reason == "far_from_last" and sample.reason != "group_differs":
            return own
        return replace(own, sentence=f"{own.sentence} {_of_a_value(sample).sentence}")

    def _row(
        self, arrival: Arrival, measured: codes.Measured, patient: Patient, taken_at: datetime, old: LabResult | None
    ) -> LabResult:
        if old is None:
            row = new_result(
                patient=patient, analyte=measured.analyte, value=measured.value, taken_at=taken_at,
                method=arrival.method[:60], at=self.at,
            )  # fmt: skip
        else:
            row = newer_result(
                old, status=ResultStatus(arrival.status), value=measured.value, at=self.at,
                why=f"{arrival.status} by {arrival.source}"[:200], taken_at=taken_at, method=arrival.method[:60],
            )  # fmt: skip
        row.status, row.time_known = ResultStatus(arrival.status), arrival.time_known
        return row

    def _store(self, row: LabResult, arrival: Arrival, action: str) -> None:
        row.source, row.source_key = arrival.source, _free_key(self.site.code, arrival)
        row.received_at = self.raw.received_at
        row.full_clean()
        row.save()
        self.entries[row.patient].append(change_of(row.patient, action, row, why=row.held_reason or row.why))
        self.filed.append(row)

    def tell(self, read: ReadResult, outcome: Outcome) -> None:
        """Put into the inbox what needs a person, and take out what a newer version has settled."""
        if outcome.became in (Became.FILED, Became.HELD, Became.NOTED, Became.IGNORED):
            self._settle_older(read)
        if not outcome.reason:
            return
        self._ask(self.raw, read, outcome)

    def _ask(self, raw: RawMessage, read: ReadResult | None, outcome: Outcome) -> None:
        note = outcome.reason == "withdrawn"
        InboxItem.objects.create(
            site=self.site,
            raw=raw,
            read_result=read,
            patient=outcome.patient,
            result=outcome.result,
            severity=Severity.NOTE if note else Severity.STOP if outcome.reason in STOPS else Severity.CHECK,
            reason=outcome.reason,
            sentence=outcome.sentence[:600],
            about=outcome.about,
            at=self.at,
        )

    def hold_the_rest(self) -> None:
        """Hold what counted already of a sample that is in doubt now, each with an item beside those of what is new."""
        for patient, of_sample, sent in self.doubtful:
            doubt = _of_a_value(of_sample)
            for row in rows_of_moment(patient, sent[0].taken_at or self.at).filter(held_reason=""):
                if doubt.reason == "fractions" and not is_one_tube(row, sent):
                    continue
                row.patient = patient
                self.entries[patient].append(hold_row(row, doubt.sentence, why="its sample is in doubt"))
                read = ReadResult.objects.filter(result=row).select_related("raw").order_by("-pk").first()
                outcome = Outcome(Became.HELD, row, patient, doubt.reason, f"It counted until now. {doubt.sentence}")
                self._ask(self.raw if read is None else read.raw, read, outcome)

    def _settle_older(self, read: ReadResult) -> None:
        """Settle what waits of versions that came before; one that came after it is never overtaken by it."""
        older = InboxItem.objects.waiting().filter(
            site=self.site, read_result__source=read.source, read_result__sent_id=read.sent_id
        )
        older.filter(read_result__pk__lt=read.pk).update(
            state=ItemState.SETTLED, choice="overtaken", why=f"a later version came: {read.status}", settled_at=self.at
        )

    def finish(self, *, actor: Any) -> None:
        """Renew what rests on these people's results, and ask what only shows afterwards."""
        for patient, entries in self.entries.items():
            finish_change(patient, entries, actor=actor, at=self.at)
        ask_where_it_belongs(self.raw, self.filed, self.at)
        tell_of_high_hb(self.raw, self.filed, self.at)
        tell_of_lapsed_plans(self.raw, list(self.entries), self.at)


def _of_a_value(doubt: plausible.Doubt) -> plausible.Doubt:
    """Return a doubt about a sample as it stands against a value in it, which itself is of no group."""
    if doubt.reason != "group_differs":
        return doubt
    return plausible.Doubt("same_sample", f"From the same sample: {doubt.sentence}")


def _withdrawn_before(seen: Sequence[ReadResult]) -> bool:
    """Say whether a version was here and was withdrawn; a withdrawal that came first may just have been quicker."""
    statuses = {one.status for one in seen}
    return WITHDRAWN in statuses and len(statuses) > 1


def _free_key(site_code: str, arrival: Arrival) -> str:
    """The sender's own id for the first row of a result, with a number for later ones.

    Another unit may know the same source and id; the unit's code then stands before it.
    """
    rows = LabResult.objects.filter(source=arrival.source)
    key = arrival.result_id
    elsewhere = rows.filter(source_key=key).exclude(patient__site__code=site_code).exists()
    if elsewhere:
        key = f"{site_code}:{key}"
    number = rows.filter(source_key=key).count() + rows.filter(source_key__startswith=f"{key}/v").count()
    return key if not number else f"{key}/v{number + 1}"
