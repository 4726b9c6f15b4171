"""When a server is killed: at moments drawn anew in every run, which a failed test prints so that they can be repeated.

EBBLINE_MOMENTS=12345 python -m pytest tests/faults/…
"""

from __future__ import annotations

import os
import random
import sys

LONGEST_WAIT_S = 0.03  # about what it takes to answer one write, so that a kill falls anywhere in one


def random_moments(kills: int, *, of: int) -> list[tuple[int, float]]:
    """Return after how many of `of` answers each kill comes, and how many seconds later, in order.

    All lie between the first and the last tenth, so that there is work on both sides of each.
    """
    seed = int(os.environ.get("EBBLINE_MOMENTS") or random.SystemRandom().randrange(10**6))
    drawn = random.Random(seed)
    after = sorted(drawn.sample(range(max(1, of // 10), of - of // 10), kills))
    sys.stdout.write(f"killed after {after} of {of} answers; the same again with EBBLINE_MOMENTS={seed}\n")
    return [(answers, drawn.uniform(0.0, LONGEST_WAIT_S)) for answers in after]
