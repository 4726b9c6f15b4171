"""The answer to an HL7 v2 message in original mode (HL7 v2.5.1, chapter 2; table 0008): AA, AE or AR."""

from __future__ import annotations

from datetime import datetime

from programme.intake.numeric.hl7 import LONGEST_CONTROL_ID, Header
from programme.intake.numeric.hl7_syntax import Delimiters

TAKEN, UNREADABLE, REFUSED = "AA", "AE", "AR"
"""Stored; stored, but it cannot be read; not stored."""
LONGEST_WORDS = 200
LONGEST_NAME = 227


def answer(header: Header | None, code: str, *, answer_id: str, at: datetime, words: str = "") -> bytes:
    """Return the acknowledgement: MSH and MSA, in the delimiters and character set of the message answered.

    header: None where the message had none to answer to. at: local to the unit. words: for a person, in MSA-3.
    """
    marks = Delimiters() if header is None else header.segment.marks
    f = marks.field

    def sent(number: int, longest: int) -> str:
        return "" if header is None else header.segment.raw(number)[:longest]

    event = "" if header is None else header.segment.text(9, 2)
    kind = "ACK" + (f"{marks.component}{escaped(event, marks)[:3]}" if event else "")
    msh = [
        f"MSH{f}{marks.encoding_characters}", sent(5, LONGEST_NAME), sent(6, LONGEST_NAME), sent(3, LONGEST_NAME),
        sent(4, LONGEST_NAME), f"{at:%Y%m%d%H%M%S}", "", kind, answer_id, sent(11, 3) or "P", sent(12, 60) or "2.5.1",
    ]  # fmt: skip
    msa = ["MSA", code, sent(10, LONGEST_CONTROL_ID)]
    if words:
        msa.append(escaped(words[:LONGEST_WORDS], marks))
    text = f"{f.join(msh)}\r{f.join(msa)}\r"
    return text.encode(marks.charset, errors="replace")


def escaped(text: str, marks: Delimiters) -> str:
    """Return text in which no sign parts anything: the escape sign first, then the others; no line ends."""
    text = text.replace(marks.escape, "\0")
    for sign, letter in (
        (marks.field, "F"), (marks.component, "S"), (marks.subcomponent, "T"), (marks.repetition, "R"),
    ):  # fmt: skip
        text = text.replace(sign, f"\1{letter}\1")
    text = text.replace("\0", f"{marks.escape}E{marks.escape}").replace("\1", marks.escape)
    return " ".join(text.split())
