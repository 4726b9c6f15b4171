"""Choosing among many yes-or-no choices at the least cost, within limits, proven or not at all."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

MOST_NODES = 1000
"""So many branches are looked at before it gives up. A count, not a time, so that a busy machine answers the same."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Of some choices, each counting for so many, at least and at most so many are taken."""

    counts: tuple[tuple[int, int], ...]
    most: int
    least: int = 0

    @property
    def binds(self) -> bool:
        """Whether it forbids anything."""
        return self.least > 0 or sum(count for _, count in self.counts) > self.most

    def implies(self, other: "Limit") -> bool:
        """Whether what keeps this limit, of choices that count alike, keeps another that asks for no least."""
        return self.most <= other.most and set(other.counts) <= set(self.counts)


def cheapest(costs: Sequence[int], limits: Sequence[Limit]) -> frozenset[int] | None:
    """Return the numbers of the choices taken, at the least sum of costs; None where that is not proven, or impossible.

    Integer programming by branch and bound (HiGHS; Huangfu and Hall, Math Program Comput 2018;10:119-42). Problems of
    places are nearly flows, whose relaxation is whole already, so that hardly a branch is needed.
    """
    if not costs:
        return frozenset()
    binding = [limit for limit in limits if limit.binds]
    row = np.repeat(np.arange(len(binding)), [len(limit.counts) for limit in binding])
    column = np.array([choice for limit in binding for choice, _ in limit.counts], dtype=np.int64)
    value = np.array([count for limit in binding for _, count in limit.counts], dtype=float)
    table = csr_array((value, (row, column)), shape=(len(binding), len(costs)))
    found = milp(
        np.asarray(costs, dtype=float),
        integrality=np.ones(len(costs)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(table, [limit.least for limit in binding], [limit.most for limit in binding])
        if binding
        else None,
        options={"mip_rel_gap": 0.0, "node_limit": MOST_NODES},
    )
    if found.status != 0:
        return None
    return frozenset(int(choice) for choice in np.flatnonzero(found.x > 0.5))
