"""An activity that wants one more run in a plan, and where that run might go."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from obsplan.checking.replay import stamp
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Node, Task
from obsplan.planning.problem.resource_flow import TOLERANCE
from obsplan.planning.reasons import what_if
from obsplan.planning.reasons.what_if import World

# Starts that are tried for one kind of change.
MOST_STARTS = 4
# Reason and would_fit_if.
Answer = tuple[str, str]


@dataclass(frozen=True)
class Case:
    """One activity that wants another run in the plan `booking`."""

    world: World
    slots: dict[tuple[str, str], str]
    task: int
    hurdles: dict[str, np.ndarray]
    holds: Callable[[World], bool]
    barred: np.ndarray

    @property
    def scenario(self) -> Scenario:
        return self.world.scenario

    @property
    def environment(self) -> Environment:
        return self.world.environment

    @property
    def booking(self) -> Booking:
        return self.world.booking

    @property
    def activity(self) -> Activity:
        return self.scenario.activity[self.task]

    @property
    def asked(self) -> Task:
        return self.booking.problem.tasks[self.task]

    @property
    def node(self) -> Node:
        return self.booking.problem.nodes[self.asked.node]

    def at(self, step: int) -> str:
        """The step's first instant, as the user reads it."""
        return stamp(self.scenario, step * self.scenario.span.step_min)

    def free_but_for(self, *families: str) -> np.ndarray:
        """Starts at which no other family than `families` stands in the way."""
        others = [h > TOLERANCE for family, h in self.hurdles.items() if family not in families]
        return ~np.any(others, axis=0)

    def only(self, family: str) -> np.ndarray:
        """Starts at which `family` stands in the way, and nothing else does."""
        return self.free_but_for(family) & (self.hurdles[family] > TOLERANCE)

    def holds_with(self, twin: Booking, world: World | None = None) -> bool:
        """Whether the replay agrees with `twin`, in the world as it is or as changed."""
        return what_if.holds_somehow((world or self.world).with_booking(twin), self.holds)

    def best(self, amount: np.ndarray, where: np.ndarray) -> Iterator[int]:
        """A few starts of `where`, least `amount` first, a slot's length apart."""
        left = np.where(where & np.isfinite(amount), amount, np.inf)
        for _ in range(MOST_STARTS):
            if np.isinf(left).all():
                return
            start = int(np.argmin(left))
            yield start
            left[max(0, start - self.asked.length + 1) : start + self.asked.length] = np.inf
