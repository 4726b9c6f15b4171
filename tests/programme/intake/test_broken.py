"""Broken messages: bits turned, frames cut, wrong encodings, fields of any size. Each ends in a clear answer."""

from __future__ import annotations

import random
import resource
from collections import Counter

import pytest

from programme.intake.models import InboxItem, RawMessage, Reading, ReadingState
from programme.intake.numeric.mllp import Frame, Frames, framed
from programme.intake.services.reading import read_all
from programme.intake.services.receiving import MOST_BYTES, receive
from tests import factories
from tests.factories import NOW
from tests.programme.intake.numeric.test_hl7 import GLUCOSE, LEAD, message, obx

WHOLE = (
    message(obx(), obx("<5", code="4576-5^HbF^LN", kind="ST")),
    message(obx("94", code="718-7^Hb^LN", unit="g/L"), "NTE|1|L|Haemolysed\\X41\\"),
    GLUCOSE.encode(),
    LEAD.encode(),
)


def turn_bits(rng, body):
    broken = bytearray(body)
    for _ in range(rng.randint(1, 8)):
        broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
    return bytes(broken)


def cut(rng, body):
    return body[: rng.randrange(len(body))]


def wrong_encoding(rng, body):
    return body.decode().replace("Testwood", "Þórð∂").encode(rng.choice(["utf-16", "utf-32", "utf-8"]))


def huge_field(rng, body):
    at = rng.randrange(len(body))
    return (
        body[:at]
        + rng.choice([b"9", b"|", b"^", b"~", b"\\", b"&", b"\r", b"A"]) * rng.randint(1_000, 60_000)
        + body[at:]
    )


def shuffled(rng, body):
    segments = body.split(b"\r")
    rng.shuffle(segments)
    return b"\r".join(segments)


def noise_between(rng, body):
    at = rng.randrange(len(body))
    return body[:at] + rng.randbytes(rng.randint(1, 200)) + body[at:]


def doubled(rng, body):
    return body + rng.choice(WHOLE)


BREAKS = (turn_bits, cut, wrong_encoding, huge_field, shuffled, noise_between, doubled)


def stream_of(broken: bytes, rng: random.Random) -> bytes:
    """A broken message in its frame; sometimes the frame is broken too, and a whole one follows."""
    sent = framed(broken)
    return sent[: rng.randrange(1, len(sent))] if rng.random() < 0.1 else sent


def answer_all(site, count: int, seed: int) -> Counter[str]:
    """Send so many broken messages through frames, storage and reading; return how often each answer was given."""
    rng, frames, codes = random.Random(seed), Frames(MOST_BYTES), Counter()
    for number in range(count):
        body = rng.choice(WHOLE).replace(b"|M1|", b"|M%d|" % number)
        sent = stream_of(rng.choice(BREAKS)(rng, body), rng)
        for frame in (*frames.feed(sent[:40]), *frames.feed(sent[40:])):
            received = receive(site=site, frame=frame, at=NOW)
            codes[received.code] += 1
            assert received.answer.count(b"\r") == 2 and b"MSA" in received.answer
            assert bool(received.words) == (received.code != "AA")
            assert len(received.answer) < 2_000
    read_all(clock=lambda: NOW, at_most=count)
    return codes


def check_nothing_is_lost(codes: Counter[str]) -> None:
    """What was answered AA or AE is stored; what was answered AE waits as a whole; nothing is left unread."""
    assert set(codes) == {"AA", "AE", "AR"}
    assert 0 < RawMessage.objects.count() <= codes["AA"] + codes["AE"]  # the same bytes may come twice
    assert not Reading.objects.filter(state=ReadingState.WAITING).exists()
    unreadable = Reading.objects.filter(state=ReadingState.UNREADABLE).count()
    assert 0 < unreadable <= codes["AE"]
    assert InboxItem.objects.filter(reason="unreadable").count() == unreadable


def test_three_hundred_broken_messages(site):
    factories.make_patient("R001", site=site)
    codes = answer_all(site, 300, seed=6)
    check_nothing_is_lost(codes)


@pytest.mark.soak
@pytest.mark.django_db(transaction=True)
def test_five_thousand_broken_messages_in_flat_memory(site):
    factories.make_patient("R001", site=site)
    codes = answer_all(site, 1_000, seed=7)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    codes += answer_all(site, 4_000, seed=8)
    check_nothing_is_lost(codes)
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    assert grown_mb < 30


@pytest.mark.parametrize("sign", [b"|", b"^", b"~", b"\\", b"&", b"\r", b"A", b"\x0b", b"\x1c"])
def test_a_megabyte_of_any_one_sign(site, sign):
    body = message()[:-1] + sign * (MOST_BYTES - len(message()))
    assert receive(site=site, frame=Frame(body), at=NOW).code in ("AA", "AE", "AR")
    read_all(clock=lambda: NOW)
    assert not Reading.objects.filter(state=ReadingState.WAITING).exists()
