"""Waits after wrong passwords."""

from programme.core.numeric.throttle import (
    MOST_AGAIN,
    MOST_AT_A_SCREEN,
    MOST_ELSEWHERE,
    MOST_KNOWN,
    is_closed,
    minutes_left,
    wait_s,
)


def test_five_tries_are_free_and_each_wait_after_them_is_twice_the_last_up_to_an_hour():
    assert [wait_s(n) for n in range(14)] == [0, 0, 0, 0, 0, 60, 120, 240, 480, 960, 1920, 3600, 3600, 3600]
    assert wait_s(10**9) == 3600


def test_an_account_takes_at_most_a_hundred_failures_in_a_row():
    # NIST SP 800-63B-4 (2025), 3.2.2: no more than 100 failed attempts in a row on one account.
    elsewhere = next(n for n in range(1000) if is_closed(n, known=False))
    known = next(n for n in range(1000) if is_closed(n, known=True))
    assert (elsewhere, known) == (MOST_ELSEWHERE, MOST_KNOWN)
    assert elsewhere + known + MOST_AGAIN + MOST_AT_A_SCREEN <= 100


def test_one_address_needs_two_days_to_use_up_what_strangers_have():
    assert sum(wait_s(n) for n in range(MOST_ELSEWHERE)) > 2 * 86400


def test_what_is_left_of_a_wait_is_told_in_whole_minutes_and_a_clock_set_back_holds_nobody():
    asked = [(4, 0), (5, 0), (5, 59.5), (5, 60), (6, 61), (5, -60), (5, -61)]
    assert [minutes_left(*one) for one in asked] == [0, 1, 1, 0, 1, 2, 0]
