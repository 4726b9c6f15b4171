"""Frames and answers of HL7 v2 over MLLP, against the protocol and one answer worked out byte by byte."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.intake.numeric.hl7 import read_header
from programme.intake.numeric.hl7_answer import answer
from programme.intake.numeric.mllp import KEPT_OF_TOO_LARGE, Frame, Frames, framed

AT = datetime(2026, 5, 24, 14, 30)
SENT = b"MSH|^~\\&|LAB|HOSP|EBB|UNIT|20260524142959||ORU^R01^ORU_R01|M1|P|2.5.1\r"


def test_an_answer_byte_by_byte():
    """Worked out by hand: application and facility change places, MSA-2 repeats MSH-10; 72 bytes, 75 in the frame."""
    said = answer(read_header(SENT), "AA", answer_id="A1", at=AT)
    assert said == b"MSH|^~\\&|EBB|UNIT|LAB|HOSP|20260524143000||ACK^R01|A1|P|2.5.1\rMSA|AA|M1\r"
    assert len(said) == 72
    whole = framed(said)
    assert len(whole) == 75
    assert whole[:4] == bytes.fromhex("0b4d5348") and whole[-3:] == bytes.fromhex("0d1c0d")


def test_an_answer_in_the_delimiters_of_the_message():
    sent = SENT.replace(b"|", b"#").replace(b"^~\\&", b"$*!%").replace(b"^", b"$")
    said = answer(read_header(sent), "AR", answer_id="A1", at=AT, words="no #1, $2 and !3")
    assert said == (
        b"MSH#$*!%#EBB#UNIT#LAB#HOSP#20260524143000##ACK$R01#A1#P#2.5.1\rMSA#AR#M1#no !F!1, !S!2 and !E!3\r"
    )


def test_what_has_no_header_is_answered_too():
    said = answer(None, "AR", answer_id="R1", at=AT, words="It does not begin with an MSH segment.")
    assert said == (b"MSH|^~\\&|||||20260524143000||ACK|R1|P|2.5.1\rMSA|AR||It does not begin with an MSH segment.\r")


def test_a_control_id_goes_back_as_it_came():
    sent = SENT.replace(b"|M1|", b"|M\\T\\1|")
    assert answer(read_header(sent), "AA", answer_id="A1", at=AT).endswith(b"MSA|AA|M\\T\\1\r")


def test_two_frames_in_one_piece_and_noise_around_them():
    frames = Frames(100)
    assert frames.feed(b"noise" + framed(b"one") + b"\r\n" + framed(b"two") + b"x") == [Frame(b"one"), Frame(b"two")]
    assert frames.thrown_away == len("noise") + 2 + 1 and not frames.unfinished


def test_a_frame_that_was_cut_off_is_dropped_when_the_next_begins():
    frames = Frames(100)
    assert frames.feed(b"\x0bcut off") == [] and frames.unfinished
    assert frames.feed(framed(b"whole")) == [Frame(b"whole")]


@pytest.mark.parametrize("size", [101, 102, 5_000, 200_000])
def test_of_a_message_that_is_too_large_only_the_beginning_is_held(size):
    frames = Frames(100)
    sent, got, most = framed(b"y" * size) + framed(b"next"), [], 0
    for start in range(0, len(sent), 50):
        got += frames.feed(sent[start : start + 50])
        most = max(most, len(frames._held))
    assert [frame.too_large for frame in got] == [True, False] and got[1] == Frame(b"next")
    assert len(got[0].body) <= KEPT_OF_TOO_LARGE and most <= 151


@given(st.lists(st.binary(max_size=40), max_size=5), st.integers(1, 7))
def test_messages_come_out_whole_however_the_pieces_fall(bodies, size):
    """A law: what is framed and sent in any pieces comes out as it was, in order."""
    bodies = [body.replace(b"\x0b", b"").replace(b"\x1c", b"") for body in bodies]
    sent = b"".join(framed(body) for body in bodies)
    frames = Frames(1_000)
    got = [frame for at in range(0, len(sent), size) for frame in frames.feed(sent[at : at + size])]
    assert got == [Frame(body) for body in bodies]
