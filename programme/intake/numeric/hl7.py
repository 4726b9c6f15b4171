"""Results in an HL7 v2 message ORU^R01 (HL7 v2.5.1, chapter 7): which person, which value, when, in which version.

Only MSH, PID, ORC, OBR, OBX, NTE and SPM are read. What can be read but not used (a text in place of a number, a code
that is not known) goes on as it is and waits for a person; what cannot be read at all is Unreadable as a whole.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import date, tzinfo

from programme.intake.numeric.arrivals import (
    CORRECTED,
    FINAL,
    LOCAL,
    LOINC,
    PRELIMINARY,
    WITHDRAWN,
    Arrival,
    Envelope,
    Unreadable,
)
from programme.intake.numeric.hl7_syntax import (
    NULL,
    Moment,
    Segment,
    component_of,
    day_of,
    header_of,
    moment_of,
    segments_of,
)

VERSIONS = ("2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6")
"""In these the fields that are read stand in the same places. Written for 2.5.1."""
PRODUCTION = "P"
LONGEST_CONTROL_ID = 199
STATUS = {
    "F": FINAL, "U": FINAL, "C": CORRECTED, "A": CORRECTED, "P": PRELIMINARY, "R": PRELIMINARY, "S": PRELIMINARY,
    "D": WITHDRAWN, "W": WITHDRAWN, "X": WITHDRAWN,
}  # fmt: skip
"""OBX-11 (HL7 table 0085). F, C, P, S and D as in HL7's map to FHIR, A as a correction. R is not verified and counts
for nothing yet; W was sent for the wrong person; X says that there is none, which takes out what was sent before."""
NO_RESULT = frozenset({"I", "N", "O"})
"""Still in the laboratory, not asked for, or a mere order: there is nothing to file."""
COMPARATORS = ("<", ">")
LONGEST_ID, LONGEST_TEXT, LONGEST_CODE = 100, 400, 100


@dataclass(frozen=True, slots=True)
class Header:
    """Who sends what. Applications and facilities raw, as an answer repeats them."""

    segment: Segment
    application: str
    facility: str
    message_type: str
    control_id: str
    processing_id: str
    version: str

    @property
    def source(self) -> str:
        """The sender in words, the same for all its messages."""
        return (" at ".join(name for name in (self.application, self.facility) if name) or "HL7")[:60]

    @property
    def names(self) -> tuple[str, ...]:
        """Under which names the sender may be listed, the most exact first."""
        return tuple(dict.fromkeys(name for name in (self.source, self.application, self.facility) if name))

    @property
    def why_not_taken(self) -> str:
        """Why a message of this kind is refused altogether, '' where it is taken."""
        if self.message_type != "ORU^R01":
            return f"MSH-9 is {self.message_type[:20]!r}; allowed is ORU^R01."
        if self.version not in VERSIONS:
            return f"MSH-12 is {self.version[:10]!r}; allowed are {', '.join(VERSIONS)}."
        if self.processing_id != PRODUCTION:
            return f"MSH-11 is {self.processing_id[:4]!r}; allowed is {PRODUCTION}, no training and no test."
        if not 0 < len(self.control_id) <= LONGEST_CONTROL_ID:
            return f"MSH-10 has {len(self.control_id)} letters; allowed are 1 to {LONGEST_CONTROL_ID}."
        return ""


def read_header(body: bytes) -> Header:
    """Return who sends what. Raises NotHl7 where the bytes do not begin like a message."""
    msh = header_of(body)
    return Header(
        segment=msh,
        application=msh.text(3),
        facility=msh.text(4),
        message_type=f"{msh.text(9)}^{msh.text(9, 2)}",
        control_id=msh.text(10),
        processing_id=msh.text(11),
        version=msh.text(12),
    )


def read(body: bytes, envelope: Envelope) -> tuple[Arrival, ...]:
    """Return the results of one ORU^R01 in its order. Raises Unreadable; nothing of the message is taken then."""
    header = read_header(body)
    if header.why_not_taken:
        raise Unreadable(header.why_not_taken)
    segments = segments_of(body)
    zone = envelope.zone
    if segments[0].text(7):
        zone = _moment(segments[0], 7, zone).offset_sent or zone
    groups = _groups(segments)
    if not any(group.results for group in groups):
        raise Unreadable("There is no OBX in it, so no result.")
    return tuple(arrival for group in groups for arrival in _results(group, header.source, zone))


@dataclass(slots=True)
class _Group:
    """One order of one person. results: each OBX with the NTE that follow it."""

    pid: Segment
    obr: Segment
    filler: str
    results: list[tuple[Segment, list[Segment]]] = field(default_factory=list)
    specimen: Segment | None = None


def _groups(segments: list[Segment]) -> list[_Group]:
    groups: list[_Group] = []
    pid: Segment | None = None
    group: _Group | None = None
    ordered = ""
    for segment in segments[1:]:
        if segment.name == "PID":
            pid, group, ordered = segment, None, ""
        elif segment.name == "ORC":
            ordered, group = segment.text(3), None
        elif segment.name == "OBR":
            if pid is None:
                raise Unreadable(f"{segment.position} stands before any PID.")
            group = _Group(pid, segment, segment.text(3) or ordered)
            groups.append(group)
            ordered = ""
        elif segment.name == "OBX":
            if group is None:
                raise Unreadable(f"{segment.position} stands outside any OBR.")
            if group.specimen is None:  # later ones describe the specimen
                group.results.append((segment, []))
        elif segment.name == "NTE" and group is not None and group.results and group.specimen is None:
            group.results[-1][1].append(segment)
        elif segment.name == "SPM" and group is not None and group.specimen is None:
            group.specimen = segment
    return groups


def _results(group: _Group, source: str, zone: tzinfo) -> list[Arrival]:
    wanted = [(obx, notes) for obx, notes in group.results if obx.text(11) not in NO_RESULT]
    return [_arrival(obx, notes, group, source, zone) for obx, notes in wanted]


def _arrival(obx: Segment, notes: list[Segment], group: _Group, source: str, zone: tzinfo) -> Arrival:
    reference, born = _person(group.pid)
    code, code_system = _code(obx)
    status = _status(obx)
    comparator, value_text = ("", "") if status == WITHDRAWN else _value(obx)
    taken = _taken(obx, group, zone)
    return Arrival(
        reference=reference,
        birth_date=born,
        code=code,
        code_system=code_system,
        value_text=value_text[:LONGEST_TEXT],
        comparator=comparator,
        unit=_unit(obx),
        taken_at=taken.at,
        time_known=taken.known,
        result_id=_result_id(group, obx),
        status=status,
        source=source,
        method=(obx.text(17, 2) or obx.text(17))[:60],
        comment=_comment(notes),
        position=obx.position,
    )


def _person(pid: Segment) -> tuple[str, date | None]:
    """Return reference and birth date: of several references the one that is a record number (MR), else the first."""
    known = [one for one in pid.repetitions(3) if component_of(one, 1, pid.marks)]
    if not known:
        raise Unreadable(f"{pid.position}: PID-3 names nobody; allowed is the unit's own reference.")
    record = [one for one in known if component_of(one, 5, pid.marks) == "MR"]
    reference = component_of((record or known)[0], 1, pid.marks)
    born = pid.text(7)
    return reference[:LONGEST_CODE], day_of(born, f"{pid.position}: PID-7") if born else None


def _result_id(group: _Group, obx: Segment) -> str:
    """Filler order number, OBX-3 and OBX-4: the same for all versions of a result, and no other's."""
    if not group.filler:
        raise Unreadable(f"{group.obr.position}: OBR-3 is empty; allowed is the laboratory's own number of the order.")
    if "\ufffd" in group.filler:
        raise Unreadable(f"{group.obr.position}: OBR-3 has a letter that is no UTF-8; MSH-18 names no other set.")
    whole = "|".join((group.filler, obx.text(3) or obx.text(3, 4), obx.text(4))).rstrip("|")
    if len(whole) <= LONGEST_ID:
        return whole
    return f"{whole[:60]}|{hashlib.sha256(whole.encode()).hexdigest()[:32]}"


def _code(obx: Segment) -> tuple[str, str]:
    """Return code and code system: LOINC where OBX-3 names it in either of its places, else the laboratory's own."""
    for code, system in ((obx.text(3), obx.text(3, 3)), (obx.text(3, 4), obx.text(3, 6))):
        if code and system == "LN":
            return code[:LONGEST_CODE], LOINC
    own = obx.text(3) or obx.text(3, 4)
    if not own:
        raise Unreadable(f"{obx.position}: OBX-3 is empty; allowed is a code.")
    return own[:LONGEST_CODE], LOCAL


def _status(obx: Segment) -> str:
    """Return the version that this is. A value of two quotes takes back what was sent before."""
    sign = obx.text(11)
    if sign not in STATUS:
        allowed = ", ".join((*STATUS, *sorted(NO_RESULT)))
        raise Unreadable(f"{obx.position}: OBX-11 is {sign[:8]!r}; allowed are {allowed}.")
    return WITHDRAWN if obx.raw(5).strip() == NULL else STATUS[sign]


def _value(obx: Segment) -> tuple[str, str]:
    """Return comparator and value. What is no single number is given on as it stands, and no number is made of it."""
    raw, marks, kind = obx.raw(5), obx.marks, obx.text(2)
    if marks.repetition in raw:
        return "", " ".join(component_of(one, 1, marks) for one in raw.split(marks.repetition))
    parts = [component_of(raw, number, marks) for number in range(1, 5)]
    if kind == "SN":
        if parts[0] in ("", "=", *COMPARATORS) and not parts[2] and not parts[3]:
            return parts[0].strip("="), parts[1]
        return "", "".join(parts)
    if kind in ("CE", "CWE", "CNE"):
        return "", parts[1] or parts[0]
    if parts[0][:1] in COMPARATORS and parts[0][1:2] not in ("=", ">") and not any(parts[1:]):
        return parts[0][0], parts[0][1:].strip()
    return "", " ".join(part for part in parts if part)


def _unit(obx: Segment) -> str:
    """Return the unit's code: of two that are sent the one that is called UCUM, else the first."""
    own, other = obx.text(6), obx.text(6, 4)
    return (other if other and obx.text(6, 6) == "UCUM" and obx.text(6, 3) != "UCUM" else own)[:LONGEST_CODE]


def _taken(obx: Segment, group: _Group, zone: tzinfo) -> Moment:
    """Return when the sample was taken: OBX-14, else SPM-17, else OBR-7."""
    for segment, number in ((obx, 14), (group.specimen, 17), (group.obr, 7)):
        if segment is not None and segment.text(number):
            return _moment(segment, number, zone)
    return Moment(None, False)


def _moment(segment: Segment, number: int, zone: tzinfo) -> Moment:
    return moment_of(segment.text(number), zone, f"{segment.position}: {segment.name}-{number}")


def _comment(notes: list[Segment]) -> str:
    return " ".join(note.text(3) for note in notes if note.text(3))[:LONGEST_TEXT]
