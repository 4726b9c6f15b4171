"""Answers are packed for browsers that say they take gzip (RFC 1952, RFC 9110 section 12.5.3), and only for those."""

import gzip
import zlib

import pytest
from django.urls import reverse

from programme.core.packing import packed
from tests.factories import make_patient, make_user

TAKES = {"HTTP_ACCEPT_ENCODING": "gzip, deflate, br"}


@pytest.fixture
def nurse_client(client, site):
    client.force_login(make_user(site=site))
    for number in range(30):
        make_patient(f"P{number:02d}", site=site)
    return client


@pytest.mark.parametrize("name", ["worklist:list", "worklist:try"])
def test_a_page_is_the_same_packed_or_not_and_much_shorter(nurse_client, name):
    plain, short = nurse_client.get(reverse(name)), nurse_client.get(reverse(name), **TAKES)
    bodies = [answer.getvalue() if answer.streaming else answer.content for answer in (plain, short)]
    assert "Content-Encoding" not in plain.headers
    assert short.headers["Content-Encoding"] == "gzip"
    assert all("Accept-Encoding" in answer.headers["Vary"] for answer in (plain, short))
    assert len(bodies[1]) < len(bodies[0]) / 3
    opened = gzip.decompress(bodies[1])
    assert opened.count(b"<tr") == bodies[0].count(b"<tr")
    assert opened.strip().endswith(b"</html>")


def test_each_piece_leaves_whole_before_the_next_is_made():
    made = []

    def pieces():
        for piece in (b"the first people", b"those who can wait"):
            made.append(piece)
            yield piece

    opener, sent = zlib.decompressobj(wbits=31), packed(pieces(), 100)
    for number in (1, 2):
        assert opener.decompress(next(sent)) == made[-1]
        assert len(made) == number
    assert opener.decompress(b"".join(sent)) == b""
    assert opener.eof


def test_the_length_of_what_is_sent_does_not_tell_the_length_of_what_is_in_it():
    assert len({len(b"".join(packed([b"the same page"], 100))) for _ in range(60)}) > 10
