"""Units handed out over what is left of a plan: worked by hand from the rule that no unit loses its step."""

import itertools

from programme.bedside.numeric.places import hand_out


def handed(wanted, begun, waiting, *, shared=None, over=()):
    fresh = itertools.count(11)
    return hand_out(wanted, begun, waiting=waiting, fresh=fresh, shared=shared or {}, over=over)


def test_those_that_wait_are_handed_out_in_their_order_and_fresh_ones_after_them():
    assert handed([(1, 2), (), (3, 4)], [(), (), ()], [4, 2, 6]) == [(4, 2), (), (6, 11)]


def test_what_was_given_of_a_step_stays_in_it_and_is_handed_out_nowhere_else():
    assert handed([(1, 2), (3,)], [(2,), ()], [2, 3, 4]) == [(2, 3), (4,)]
    assert handed([(1,), (2,)], [(2, 7), ()], [2, 3, 7]) == [(2, 7), (3,)]


def test_a_unit_across_two_steps_is_one_unit_unless_nothing_more_comes_of_it():
    assert handed([(1, 2), (2, 3)], [(), ()], [1, 2, 3]) == [(1, 2), (2, 3)]
    assert handed([(2, 3)], [()], [3, 4], shared={2: 2}) == [(2, 3)]
    assert handed([(2, 3)], [()], [3, 4], shared={2: 2}, over={2}) == [(3, 4)]
