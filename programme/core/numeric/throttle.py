"""How long sign-in waits after wrong passwords, so that guessing is slow and nobody is shut out by somebody else.

Failures in a row are counted for one name: those from browsers where the name has signed in before, and those from each
other address. Browsers that are known have a count of their own, so that a stranger who guesses cannot use it up.
"""

from __future__ import annotations

import math

FREE_TRIES = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 60, 3600
"""Five tries, then a wait that doubles up to an hour. Chosen here; not from a source."""
SET_BACK_S = 60
MOST_ELSEWHERE, MOST_KNOWN, MOST_AGAIN, MOST_AT_A_SCREEN = 60, 20, 10, 10
"""Together the 100 failures in a row that NIST SP 800-63B-4 (2025), 3.2.2, allows on one account: signing in elsewhere
and on known browsers, the own password asked again while signed in, and name with PIN at a colleague's screen."""


def wait_s(failures: int) -> int:
    """Return the seconds from the last of `failures` in a row to the next try that is looked at."""
    if failures < FREE_TRIES:
        return 0
    doublings = min(failures - FREE_TRIES, 16)  # far beyond the longest wait, and still a small number
    return min(FIRST_WAIT_S << doublings, LONGEST_WAIT_S)


def minutes_left(failures: int, since_s: float) -> int:
    """Return the whole minutes until a try is looked at again, `since_s` after the last of `failures`; 0: it is now.

    A last try that lies further ahead than a minute was counted by a clock set back since: nobody waits for it.
    """
    left_s = wait_s(failures) - since_s
    return math.ceil(left_s / 60) if left_s > 0 and since_s >= -SET_BACK_S else 0


def is_closed(failures: int, *, known: bool) -> bool:
    """Say whether a name has used up its failures in a row: signing in from browsers that are known, or from others."""
    return failures >= (MOST_KNOWN if known else MOST_ELSEWHERE)
