"""The listener for HL7 v2 over MLLP: many connections at once, each message answered before the next is looked at.

Storing runs in one thread, reading in another, so that a slow sender holds up nobody and a long reading no answer.
A message that was answered and not yet read when the listener ended is read when it starts again.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from programme.intake.numeric.mllp import Frame, Frames, framed
from programme.intake.services.receiving import MOST_BYTES, Received

PIECE = 65_536
MOST_CONNECTIONS = 64
SECONDS_FOR_A_FRAME = 60.0
"""Within a frame the next piece, and the taking of an answer. Between frames a sender may be silent for ever."""
SECONDS_BETWEEN_READINGS = 60.0
REST_AFTER_READING = 0.2
MOST_THROWN_AWAY = 20_000_000

log = logging.getLogger(__name__)


class Listener:
    """receive: keeps one message and answers, in a thread. read: reads some of what waits, True where more waits."""

    def __init__(self, *, receive: Callable[[Frame], Received], read: Callable[[], bool]) -> None:
        self._receive, self._read = receive, read
        self._storing, self._reading = ThreadPoolExecutor(1, "store"), ThreadPoolExecutor(1, "read")
        self._busy: dict[asyncio.Task[None], bool] = {}
        self._stopping, self._arrived = asyncio.Event(), asyncio.Event()

    def stop(self) -> None:
        """Take no new message; finish and answer those in hand."""
        self._stopping.set()
        self._arrived.set()

    async def run(self, host: str, port: int, listening: Callable[[str, int], None]) -> None:
        """Listen until stopped. listening: told the address once senders can connect."""
        server = await asyncio.start_server(self._connected, host, port)
        reading = asyncio.create_task(self._read_what_waits())
        listening(*server.sockets[0].getsockname()[:2])
        await self._stopping.wait()
        server.close()
        for connection, busy in list(self._busy.items()):
            if not busy:
                connection.cancel()
        if self._busy:
            await asyncio.wait(list(self._busy), timeout=SECONDS_FOR_A_FRAME)
        await reading
        self._storing.shutdown()
        self._reading.shutdown()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        peer = writer.get_extra_info("peername")
        if task is None or len(self._busy) >= MOST_CONNECTIONS or self._stopping.is_set():
            log.warning("a connection from %s was closed: there are %s already", peer, len(self._busy))
            writer.close()
            return
        self._busy[task] = False
        try:
            await self._serve(reader, writer, task)
        except (TimeoutError, OSError) as trouble:
            log.warning("the connection from %s was closed: %s", peer, trouble or "it was silent within a frame")
        except asyncio.CancelledError:
            pass  # the listener ends, and this sender has nothing unanswered here
        finally:
            del self._busy[task]
            writer.close()

    async def _serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, task: asyncio.Task[None]
    ) -> None:  # fmt: skip
        frames = Frames(MOST_BYTES)
        while not self._stopping.is_set():
            async with asyncio.timeout(SECONDS_FOR_A_FRAME if frames.unfinished else None):
                piece = await reader.read(PIECE)
            if not piece:
                return
            for frame in frames.feed(piece):
                self._busy[task] = True
                await self._answer(frame, writer)
                self._busy[task] = False
                if self._stopping.is_set():
                    return
            if frames.length + frames.thrown_away > MOST_THROWN_AWAY:
                raise OSError(f"more than {MOST_THROWN_AWAY} bytes of it were no message")

    async def _answer(self, frame: Frame, writer: asyncio.StreamWriter) -> None:
        received = await asyncio.get_running_loop().run_in_executor(self._storing, self._receive, frame)
        if received.is_kept:
            self._arrived.set()
        if received.words:
            log.warning("%s to %s: %s", received.code, writer.get_extra_info("peername"), received.words)
        writer.write(framed(received.answer))
        async with asyncio.timeout(SECONDS_FOR_A_FRAME):
            await writer.drain()

    async def _read_what_waits(self) -> None:
        """Read at the start, after each arrival, and every minute what another reader left."""
        loop = asyncio.get_running_loop()
        self._arrived.set()
        while not self._stopping.is_set():
            try:
                async with asyncio.timeout(SECONDS_BETWEEN_READINGS):
                    await self._arrived.wait()
            except TimeoutError:
                pass
            self._arrived.clear()
            if self._stopping.is_set():
                return
            try:
                if await loop.run_in_executor(self._reading, self._read):
                    self._arrived.set()
            except Exception:
                log.exception("reading broke off; it goes on in a minute, and nothing that was kept is lost")
            await asyncio.sleep(REST_AFTER_READING)
