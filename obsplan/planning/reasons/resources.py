"""The resources of a platform of which there may be more, and what more of each means.

Reasons, marginal values and plans solved again with a little more all mean the same by it.
"""

from collections.abc import Callable
from typing import NamedTuple

from obsplan.planning.problem.definition import Node, Problem
from obsplan.planning.problem.tolerances import REPLAY_SLACK
from obsplan.planning.reasons import remedies
from obsplan.planning.reasons.what_if import Variant


class Resource(NamedTuple):
    """A resource: its name and unit, how much there is, and a variant with so much more of it."""

    what: str
    unit: str
    amount: Callable[[Problem, Node], float]
    more: Callable[[int, Variant, float], Variant]


def _contact_h(problem: Problem, node: Node) -> float:
    return float((node.send_mbit > 0).sum() * problem.step_h)


def _more_contact(n: int, variant: Variant, hours: float) -> Variant:
    """As much more data as in `hours` of contact, spread over the contacts there are."""
    problem = variant.booking.problem
    percent = 100 * hours / _contact_h(problem, problem.nodes[n])
    return remedies.faster_link(n, variant, percent)


def _more_storage(n: int, variant: Variant, mbit: float) -> Variant:
    return remedies.larger_store(n, True, False, variant, mbit)


def _more_at_the_end(n: int, variant: Variant, mbit: float) -> Variant:
    return remedies.larger_store(n, False, True, variant, mbit)


def _end_limit_mbit(problem: Problem, node: Node) -> float:
    """The limit at the end, if it is lower than the capacity."""
    # A relaxed problem allows for rounding on either.
    is_lower = node.store_end_mbit < node.store_mbit - 2 * REPLAY_SLACK
    return node.store_end_mbit if is_lower else 0.0


# A resource of which a platform has none is left out, as an array in the dark.
RESOURCES = (
    Resource("battery", "Wh", lambda _, node: node.capacity_wh, remedies.larger_battery),
    Resource("storage", "Mbit", lambda _, node: node.store_mbit, _more_storage),
    Resource("storage at the end", "Mbit", _end_limit_mbit, _more_at_the_end),
    Resource("array", "W", lambda _, node: float(node.generation_w.max()), remedies.larger_array),
    Resource("contact", "h", _contact_h, _more_contact),
)
