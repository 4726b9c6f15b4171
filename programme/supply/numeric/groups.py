"""On how many samples a person's group rests, and which of them say otherwise.

A group that was found on one sample only may be somebody else's: a second sample, taken independently, is asked for
before a first transfusion, unless identity is checked electronically (BCSH guideline, Milkins et al., Transfus Med
2013;23:3-35, recommendation 12, as quoted by others). How many are needed is a site setting.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class GroupSamples:
    """When samples were taken that found the recorded group, oldest first, and (when, group) of those that did not."""

    agree: tuple[datetime, ...] = ()
    differ: tuple[tuple[datetime, str], ...] = ()


def group_samples(samples: Iterable[tuple[datetime, str]], group: str) -> GroupSamples:
    """Sort samples (taken at, group found) by whether they found `group`; two of one moment are one sample."""
    found = sorted(set(samples))
    return GroupSamples(
        tuple(dict.fromkeys(at for at, said in found if said == group)),
        tuple((at, said) for at, said in found if said != group),
    )
