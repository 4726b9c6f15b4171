"""The listener over real connections: several at once, slow ones, cut ones, and an end that loses nothing."""

from __future__ import annotations

import asyncio
import threading
from contextlib import AsyncExitStack, asynccontextmanager

import pytest

from programme.intake.numeric.mllp import framed
from programme.intake.services import listening
from programme.intake.services.listening import Listener
from programme.intake.services.receiving import MOST_BYTES, Received

PATIENCE = 20


class Kept:
    """Stands in for storage: notes what came, and answers with it."""

    def __init__(self):
        self.bodies, self.readings, self.may_go_on = [], 0, threading.Event()
        self.may_go_on.set()

    def receive(self, frame):
        self.may_go_on.wait(PATIENCE)
        self.bodies.append(frame.body)
        return Received("AR", "too large", b"no") if frame.too_large else Received("AA", "", b"yes " + frame.body)

    def read(self):
        self.readings += 1
        return False


def listen(talk, kept=None):
    """Run a listener, let `talk(listener, port, stack)` talk to it, stop it, and return what was kept."""
    kept = kept or Kept()

    async def main():
        listener = Listener(receive=kept.receive, read=kept.read)
        port = asyncio.get_running_loop().create_future()
        running = asyncio.create_task(listener.run("127.0.0.1", 0, lambda _, number: port.set_result(number)))
        async with AsyncExitStack() as stack:
            await asyncio.wait_for(talk(listener, await port, stack), PATIENCE)
        listener.stop()
        await asyncio.wait_for(running, PATIENCE)

    asyncio.run(main())
    return kept


@asynccontextmanager
async def connected(port):
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        yield reader, writer
    finally:
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)


async def answer_on(reader):
    return await asyncio.wait_for(reader.readuntil(b"\x1c\r"), PATIENCE)


def test_messages_are_answered_one_by_one_and_read_afterwards():
    async def talk(_, port, stack):
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(framed(b"one") + framed(b"two"))
        assert await answer_on(reader) == framed(b"yes one")
        assert await answer_on(reader) == framed(b"yes two")

    kept = listen(talk)
    assert kept.bodies == [b"one", b"two"] and kept.readings >= 1


def test_a_sender_that_stops_in_the_middle_of_a_frame_holds_up_nobody():
    async def talk(_, port, stack):
        _, slow = await stack.enter_async_context(connected(port))
        slow.write(b"\x0bhalf a")
        await slow.drain()
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(framed(b"whole"))
        assert await answer_on(reader) == framed(b"yes whole")

    assert listen(talk).bodies == [b"whole"]


def test_a_frame_that_does_not_go_on_is_given_up(monkeypatch):
    monkeypatch.setattr(listening, "SECONDS_FOR_A_FRAME", 0.05)

    async def talk(_, port, stack):
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(b"\x0bhalf a")
        assert await asyncio.wait_for(reader.read(), PATIENCE) == b""

    assert listen(talk).bodies == []


def test_what_is_too_large_is_answered_and_the_next_is_taken():
    async def talk(_, port, stack):
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(framed(b"x" * (MOST_BYTES + 1)) + framed(b"next"))
        assert await answer_on(reader) == framed(b"no")
        assert await answer_on(reader) == framed(b"yes next")

    assert len(listen(talk).bodies[0]) < MOST_BYTES


def test_more_connections_than_allowed_are_closed(monkeypatch):
    monkeypatch.setattr(listening, "MOST_CONNECTIONS", 2)

    async def talk(_, port, stack):
        open_ones = [await stack.enter_async_context(connected(port)) for _ in range(2)]
        for number, (reader, writer) in enumerate(open_ones):
            writer.write(framed(b"%d" % number))
            await answer_on(reader)
        reader, _ = await stack.enter_async_context(connected(port))
        assert await asyncio.wait_for(reader.read(), PATIENCE) == b""

    assert sorted(listen(talk).bodies) == [b"0", b"1"]


def test_stopping_answers_what_is_in_hand_and_takes_nothing_more():
    kept = Kept()
    kept.may_go_on.clear()

    async def talk(listener, port, stack):
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(framed(b"one") + framed(b"two"))
        while not any(listener._busy.values()):
            await asyncio.sleep(0.01)
        listener.stop()
        kept.may_go_on.set()
        assert await answer_on(reader) == framed(b"yes one")
        assert await asyncio.wait_for(reader.read(), PATIENCE) == b""

    assert listen(talk, kept).bodies == [b"one"]


def test_a_failing_store_costs_one_connection_and_not_the_listener(caplog):
    class Failing(Kept):
        def receive(self, frame):
            if frame.body == b"bad":
                raise RuntimeError("no such thing")
            return super().receive(frame)

    async def talk(_, port, stack):
        asyncio.get_running_loop().set_exception_handler(lambda *_: None)
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(framed(b"bad"))
        assert await asyncio.wait_for(reader.read(), PATIENCE) == b""
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(framed(b"good"))
        assert await answer_on(reader) == framed(b"yes good")

    assert listen(talk, Failing()).bodies == [b"good"]


def test_reading_that_breaks_off_is_tried_again(monkeypatch, caplog):
    monkeypatch.setattr(listening, "SECONDS_BETWEEN_READINGS", 0.01)
    monkeypatch.setattr(listening, "REST_AFTER_READING", 0.01)

    class Failing(Kept):
        def read(self):
            super().read()
            raise RuntimeError("the database is away")

    kept = Failing()

    async def talk(*_):
        while kept.readings < 3:
            await asyncio.sleep(0.01)

    listen(talk, kept)
    assert "nothing that was kept is lost" in caplog.text


@pytest.mark.parametrize("noise", [b"", b"\r\n\r\n", b"GET / HTTP/1.1\r\n\r\n"])
def test_bytes_outside_a_frame_are_thrown_away(noise):
    async def talk(_, port, stack):
        reader, writer = await stack.enter_async_context(connected(port))
        writer.write(noise + framed(b"one"))
        assert await answer_on(reader) == framed(b"yes one")

    assert listen(talk).bodies == [b"one"]
