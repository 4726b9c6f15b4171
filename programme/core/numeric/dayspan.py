"""Spans of days, half open: the first day belongs to the span, the end does not."""

from dataclasses import dataclass
from datetime import date, timedelta


@dataclass(frozen=True, slots=True)
class DaySpan:
    """Days from `start` up to, not including, `end`."""

    start: date
    end: date

    def __post_init__(self) -> None:
        if self.end < self.start:
            raise ValueError(f"a span cannot end ({self.end}) before it starts ({self.start})")

    @property
    def days(self) -> int:
        return (self.end - self.start).days

    def contains(self, day: date) -> bool:
        return self.start <= day < self.end

    def overlaps(self, other: "DaySpan") -> bool:
        return self.start < other.end and other.start < self.end

    def each_day(self) -> tuple[date, ...]:
        return tuple(self.start + timedelta(days=n) for n in range(self.days))
