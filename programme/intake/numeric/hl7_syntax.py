"""HL7 v2 messages as text: character set, delimiters, segments, fields, escapes and times (HL7 v2.5.1, chapter 2).

Nothing here knows what a field means. The delimiters are those that the message itself names in MSH-1 and MSH-2.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo

from programme.intake.numeric.arrivals import Unreadable

SEGMENT_END = "\r"
NULL = '""'
"""Two quotes delete what was there; a field that is merely empty leaves it (v2.5.1, 2.5.3)."""
CHARACTER_SETS = {
    "": "utf-8",  # ASCII by the standard, which UTF-8 contains; what is neither stands as U+FFFD and is never guessed
    "ASCII": "ascii",
    "UNICODE UTF-8": "utf-8",
    **{f"8859/{part}": f"iso8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
}
"""HL7 table 0211, the single-byte sets and UTF-8."""
MOST_SEGMENTS = 2_000
LONGEST_HEADER = 10_000
FIRST_YEAR, LAST_YEAR = 1900, 2100
LARGEST_OFFSET = timedelta(hours=14)

_NAME = re.compile(r"[A-Z][A-Z0-9]{2}")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x0c\x0e-\x1f\x7f]")
_TIME = re.compile(
    r"(\d{4})(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:\.\d{1,4})?)?)?)?)?)?([+-]\d{4})?"
)  # fmt: skip


class NotHl7(Unreadable):
    """The bytes do not begin like an HL7 message."""


@dataclass(frozen=True, slots=True)
class Delimiters:
    """The five (or four) signs that part a message, and how its characters are encoded."""

    field: str = "|"
    component: str = "^"
    repetition: str = "~"
    escape: str = "\\"
    subcomponent: str = "&"
    charset: str = "utf-8"

    @property
    def encoding_characters(self) -> str:
        return self.component + self.repetition + self.escape + self.subcomponent


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment. fields: raw, fields[n] is field n, fields[0] the name; in MSH fields[1] is the delimiter itself."""

    name: str
    fields: tuple[str, ...]
    marks: Delimiters
    position: str

    def raw(self, number: int) -> str:
        """Return a field as it came, empty where it was not sent."""
        return self.fields[number] if number < len(self.fields) else ""

    def repetitions(self, number: int) -> list[str]:
        """Return the repetitions of a field as they came."""
        return self.raw(number).split(self.marks.repetition)

    def text(self, number: int, component: int = 1) -> str:
        """Return one component of a field's first repetition, escapes undone; '' for the null value too."""
        return component_of(self.repetitions(number)[0], component, self.marks)


def component_of(raw: str, number: int, marks: Delimiters) -> str:
    """Return component `number` (from 1) of one repetition as text: its first subcomponent, trimmed, escapes undone."""
    parts = raw.split(marks.component)
    part = parts[number - 1] if number <= len(parts) else ""
    part = part.split(marks.subcomponent)[0].strip()
    return "" if part == NULL else unescaped(part, marks)


def unescaped(text: str, marks: Delimiters) -> str:
    r"""Return text with its escapes undone: \F\ \S\ \T\ \R\ \E\ and \Xdd…\; highlighting, breaks and local ones go.

    Raises Unreadable where a hexadecimal escape is none, or stands for a control character.
    """
    mark = marks.escape
    if mark not in text:
        return text
    signs = {
        "F": marks.field, "S": marks.component, "T": marks.subcomponent, "R": marks.repetition, "E": mark,
        "H": "", "N": "",
    }  # fmt: skip

    def undone(found: re.Match[str]) -> str:
        inside = found[1]
        if inside in signs:
            return signs[inside]
        if inside[:1] == "X":
            return _hexadecimal(inside[1:], marks)
        if inside[:1] == ".":
            return " "
        return "" if inside[:1] == "Z" else found[0]

    return re.sub(f"{re.escape(mark)}([^{re.escape(mark)}]*){re.escape(mark)}", undone, text)


def _hexadecimal(digits: str, marks: Delimiters) -> str:
    try:
        text = bytes.fromhex(digits).decode(marks.charset)
    except (ValueError, UnicodeDecodeError) as error:
        raise Unreadable(f"the escape X{digits[:20]} is not text in hexadecimal") from error
    if _CONTROL.search(text):
        raise Unreadable(f"the escape X{digits[:20]} stands for a control character")
    return text


def header_of(body: bytes) -> Segment:
    """Return the MSH segment that a message begins with. Raises NotHl7 where there is none, or its signs are unfit.

    A character set that is not taken is left for `segments_of` to refuse: the sender must still be answered.
    """
    line = re.split(rb"[\r\n]", body[:LONGEST_HEADER].lstrip(b"\r\n"), maxsplit=1)[0]
    text = line.decode("latin-1")
    if not text.startswith("MSH") or len(text) < 8:
        raise NotHl7("It does not begin with an MSH segment.")
    field = text[3]
    signs = text[4:].split(field, 1)[0]
    fit = len(signs) in (4, 5) and len(set(field + signs)) == len(signs) + 1
    if not fit or any(sign.isalnum() or not "!" <= sign <= "~" for sign in field + signs):
        raise NotHl7(f"MSH-1 and MSH-2 are {field + signs[:8]!r}; allowed are five different signs, usual is |^~\\&.")
    if _CONTROL.search(text):
        raise NotHl7("MSH holds a control character.")
    charset = "".join(text[4:].split(field)[16:17]).split(signs[1])[0].strip()
    component, repetition, escape, subcomponent = list(signs)[:4]
    marks = Delimiters(
        field, component, repetition, escape, subcomponent, CHARACTER_SETS.get(charset, "latin-1")
    )  # fmt: skip
    fields = line.decode(marks.charset, errors="replace")[4:].split(field)
    return Segment("MSH", ("MSH", field, *fields), marks, "MSH")


def segments_of(body: bytes) -> list[Segment]:
    """Return all segments of one message. Raises Unreadable with the place of what is wrong."""
    header = header_of(body)
    marks = header.marks
    _refuse_unknown_charset(header)
    said = header.text(18)
    try:
        # A name in a character set that nobody named must not hold up results that can be read: no sign that parts is
        # touched, and a reference, code, unit or value with U+FFFD in it fits nothing and waits for a human.
        text = body.decode(marks.charset, errors="strict" if said else "replace")
    except UnicodeDecodeError as error:
        raise Unreadable(f"Byte {error.start} does not fit the character set; MSH-18 says {said[:20]}.") from error
    if found := _CONTROL.search(text):
        raise Unreadable(f"Letter {found.start()} is a control character.")
    lines = [line for line in re.split(r"\r\n|\r|\n", text) if line.strip()]
    if len(lines) > MOST_SEGMENTS:
        raise Unreadable(f"{len(lines)} segments; allowed are at most {MOST_SEGMENTS}.")
    segments = []
    for number, line in enumerate(lines, start=1):
        fields = line.split(marks.field)
        if not _NAME.fullmatch(fields[0]):
            raise Unreadable(f"Segment {number} begins with {fields[0][:8]!r}; allowed is a name such as OBX.")
        if fields[0] == "MSH":
            fields.insert(1, marks.field)
            if number > 1:
                raise Unreadable(f"Segment {number} begins another message; allowed is one message at a time.")
        segments.append(Segment(fields[0], tuple(fields), marks, f"segment {number} ({fields[0]})"))
    return segments


def _refuse_unknown_charset(header: Segment) -> None:
    name = header.repetitions(18)[0].strip()
    if name not in CHARACTER_SETS:
        known = ", ".join(key for key in CHARACTER_SETS if key)
        raise Unreadable(f"MSH-18 is {name[:20]!r}; allowed are {known}.")


@dataclass(frozen=True, slots=True)
class Moment:
    """A time as sent. at: aware, None where not even the day was sent. known: down to the minute and without doubt."""

    at: datetime | None
    known: bool
    offset_sent: tzinfo | None = None


def moment_of(text: str, zone: tzinfo, where: str) -> Moment:
    """Return a time (TS: YYYY[MM[DD[HH[MM[SS[.S…]]]]]][±ZZZZ]); zone: where the text names no offset.

    A local hour that the clocks repeat or skip is not known; a day alone is its midnight, not known either.
    """
    found = _TIME.fullmatch(text)
    if found is None:
        raise Unreadable(f"{where} is {text[:30]!r}; allowed is a time such as 20260504081000+0100.")
    year, month, day, hour, minute, second, offset = found.groups()
    sent = _offset(offset, where)
    if day is None:
        return Moment(None, False, sent)
    if not FIRST_YEAR < int(year) < LAST_YEAR:
        raise Unreadable(f"{where} is in the year {year}; allowed is {FIRST_YEAR + 1} to {LAST_YEAR - 1}.")
    try:
        at = datetime(
            int(year), int(month), int(day), int(hour or 0), int(minute or 0), int(second or 0), tzinfo=sent or zone
        )  # fmt: skip
    except ValueError as error:
        raise Unreadable(f"{where} is {text[:30]!r}, which is no day or hour.") from error
    offset_then = at.utcoffset() or timedelta(0)
    doubtful = offset_then != at.replace(fold=1).utcoffset()
    return Moment(at.replace(tzinfo=timezone(offset_then)), minute is not None and not doubtful, sent)


def _offset(text: str | None, where: str) -> tzinfo | None:
    if text is None:
        return None
    minutes = int(text[3:])
    offset = timedelta(hours=int(text[1:3]), minutes=minutes)
    if offset > LARGEST_OFFSET or minutes > 59:
        raise Unreadable(f"{where} has the offset {text}; allowed is -1400 to +1400.")
    return timezone(-offset if text[0] == "-" else offset) if offset else UTC


def day_of(text: str, where: str) -> date | None:
    """Return the day of a date or time; None where only a year or month was sent."""
    at = moment_of(text, UTC, where).at
    return None if at is None else at.date()
