"""Frames of the minimal lower layer protocol (HL7 transport specification, MLLP): 0x0B, the message, 0x1C, 0x0D."""

from __future__ import annotations

from dataclasses import dataclass

START, END = b"\x0b", b"\x1c\r"
KEPT_OF_TOO_LARGE = 10_000


@dataclass(frozen=True, slots=True)
class Frame:
    """One message out of its frame. too_large: only its beginning is here, enough to answer its sender."""

    body: bytes
    too_large: bool = False


def framed(message: bytes) -> bytes:
    """Return a message within its frame."""
    return START + message + END


class Frames:
    """What comes over one connection, cut into messages however the pieces fall.

    A frame that begins anew before it ended was cut off by its sender and is dropped: it was never answered, so it
    comes again. Of a frame over the limit only the beginning is held, so memory stays flat whatever is sent.
    """

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.thrown_away = 0
        self._held = bytearray()
        self._inside = False
        self._searched = 0
        self._beginning: bytes | None = None
        self.length = 0

    @property
    def unfinished(self) -> bool:
        """Whether a frame has begun and not ended."""
        return self._inside

    def feed(self, piece: bytes) -> list[Frame]:
        """Take the next piece of the stream; return the messages that it completes."""
        self._held += piece
        frames: list[Frame] = []
        while self._held:
            if not self._inside:
                if not self._begin():
                    break
                continue
            end = self._held.find(END, self._searched)
            again = self._held.rfind(START, self._searched, end if end >= 0 else len(self._held))
            if again >= 0:
                self.thrown_away += self.length + again
                self._enter(again)
            elif end >= 0:
                frames.append(self._finish(end))
            else:
                self._wait()
                break
        return frames

    def _begin(self) -> bool:
        start = self._held.find(START)
        self.thrown_away += start if start >= 0 else len(self._held)
        if start < 0:
            self._held.clear()
            return False
        self._enter(start)
        return True

    def _enter(self, start: int) -> None:
        del self._held[: start + 1]
        self._inside, self._searched, self._beginning, self.length = True, 0, None, 0

    def _finish(self, end: int) -> Frame:
        too_large = self._beginning is not None or end > self.limit
        body = self._beginning if self._beginning is not None else bytes(self._held[:end])
        del self._held[: end + len(END)]
        self._inside = False
        return Frame(body[:KEPT_OF_TOO_LARGE] if too_large else body, too_large)

    def _wait(self) -> None:
        """Nothing more can be found in what is held; of a message that is too large let it go but for its last byte."""
        self._searched = len(self._held) - 1
        if self._beginning is None and len(self._held) <= self.limit:
            return
        if self._beginning is None:
            self._beginning = bytes(self._held[:KEPT_OF_TOO_LARGE])
        self.length += len(self._held) - 1
        del self._held[:-1]
        self._searched = 0
