"""A minimal set of rules that is infeasible, as all of them together are.

It is an irreducible infeasible subset, found by a deletion filter that drops halves first.
"""

from collections.abc import Callable


def minimal(rules: list, infeasible: Callable[[set], bool]) -> set:
    """A minimal set of `rules` that is still infeasible, as all of them are.

    Halves are dropped at once if possible, so that few problems are solved. Those
    that are not decided within the limits of the search count as feasible.
    """
    kept = set(rules)

    def sift(block: list) -> None:
        if infeasible(kept - set(block)):
            kept.difference_update(block)
        elif len(block) > 1:
            sift(block[: len(block) // 2])
            sift(block[len(block) // 2 :])

    # The last rules are dropped first: those listed first tell a reader most.
    sift(rules[::-1])
    return kept
