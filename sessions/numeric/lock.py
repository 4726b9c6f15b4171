"""Whether a person is locked for possible haemolysis after red cells, and why, in words and figures ready to show.

Signs lock alone: a reaction under investigation, dark urine, new severe pain or fever within 28 days of a transfusion.
Figures lock when Hb and HbA mass are both too low (`haemolysis.py`). Either is enough. It never becomes a shorter
interval by itself, and a negative antibody screen does not lift it: in up to a third no new antibody is found, and more
red cells are withheld meanwhile where possible (Hendrickson JE, Fasano RM. Hematology 2021:704-9).
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from .haemolysis import WATCH_DAYS, Figures

SENTENCE = "Possible haemolysis: a haematologist decides before any red cells."

SIGN_WORDS = {
    "reaction": "a reaction under investigation",
    "dark_urine": "dark urine",
    "new_pain": "new severe pain",
    "fever": "fever",
}


@dataclass(frozen=True, slots=True)
class SignSeen:
    """A sign noted and not lifted since. day: ordinal. kind: a key of SIGN_WORDS."""

    day: int
    kind: str


@dataclass(frozen=True, slots=True)
class SampleSeen:
    """A sample compared with what was expected. days: since the session. Hb and HbA mass in g/L."""

    day: int
    days: int
    locked: bool
    hb_expected: float
    hb_lowest: float
    hb_found: float
    hba_expected: float
    hba_lowest: float
    hba_found: float


@dataclass(frozen=True, slots=True)
class Lock:
    """locked; reasons: a sentence for each sign and sample that stops; signs and samples: those it rests on."""

    locked: bool
    reasons: tuple[str, ...]
    signs: tuple[SignSeen, ...]
    samples: tuple[SampleSeen, ...]

    @property
    def sentence(self) -> str:
        """What is said in place of a suggestion; empty when there is no lock."""
        return SENTENCE if self.locked else ""


def sample_seen(figures: Figures, row: int, *, day: int, days: int) -> SampleSeen | None:
    """One person's sample out of many; None where figures could not be compared (missing, or later than 28 days)."""
    if not figures.can_say[row]:
        return None
    return SampleSeen(
        day=day,
        days=days,
        locked=bool(figures.locked[row]),
        hb_expected=float(figures.hb_expected[row]),
        hb_lowest=float(figures.hb_lowest[row]),
        hb_found=float(figures.hb_found[row]),
        hba_expected=float(figures.hba_expected[row]),
        hba_lowest=float(figures.hba_lowest[row]),
        hba_found=float(figures.hba_found[row]),
    )


def judge_lock(
    *, signs: Iterable[SignSeen], samples: Iterable[SampleSeen | None], transfusion_days: Iterable[int]
) -> Lock:
    """Put signs and samples together.

    Args: signs and samples not lifted since, in any order; None samples are passed over. transfusion_days: ordinals of
        all red cells given, sessions, top-ups and elsewhere, also of a session that runs.
    Returns: the lock. Raises: ValueError for a sign that is not known.
    """
    given = np.array(sorted(transfusion_days), dtype=np.int64)
    stopping = []
    for sign in sorted(signs, key=lambda s: (s.day, s.kind)):
        if sign.kind not in SIGN_WORDS:
            raise ValueError(f"no sign is called {sign.kind!r}; there are {', '.join(SIGN_WORDS)}")
        if (after := _days_after(given, sign.day)) is not None:
            stopping.append((sign, after))
    low = tuple(sorted((s for s in samples if s is not None and s.locked), key=lambda s: s.day))
    reasons = (
        *(f"{_capital(SIGN_WORDS[s.kind])}, {_after(after)} red cells." for s, after in stopping),
        *(_sample_words(s) for s in low),
    )
    return Lock(bool(reasons), reasons, tuple(s for s, _ in stopping), low)


def _days_after(given: np.ndarray[tuple[int], np.dtype[np.int64]], day: int) -> int | None:
    """Days since the latest transfusion on or before `day`; None when there was none within the watch."""
    place = int(np.searchsorted(given, day, side="right"))
    if place == 0 or day - given[place - 1] > WATCH_DAYS:
        return None
    return int(day - given[place - 1])


def _sample_words(s: SampleSeen) -> str:
    return (
        f"On day {s.days} Hb {s.hb_found:.0f} g/L and HbA mass {s.hba_found:.0f} g/L; expected {s.hb_expected:.0f} and "
        f"{s.hba_expected:.0f}, and under {s.hb_lowest:.0f} and {s.hba_lowest:.0f} in 1 of 200."
    )


def _after(days: int) -> str:
    return "on the day of" if days == 0 else "1 day after" if days == 1 else f"{days} days after"


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]
