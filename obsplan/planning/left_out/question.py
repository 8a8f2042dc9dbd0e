"""The plan there is and its way, and what other ways are worth beside it."""

from collections.abc import Callable
from dataclasses import dataclass
from threading import Event
from typing import NamedTuple

from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.counted_runs import worth_by
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.replayed import Replay, Replayed
from obsplan.planning.route.laid_out import Itinerary
from obsplan.planning.route.trials import Found, plan_along
from obsplan.planning.route.ways import Chosen, has_legs
from obsplan.planning.routed import mended

# Changes that are planned for all stops together.
MOST_CHANGES = 24


class Through(NamedTuple):
    """The best plan found through a stop, and what it is worth less than the plan there is."""

    found: Found
    loss: float


@dataclass
class Question:
    """The plan there is and its way; replay: that of an environment along routes."""

    chosen: Chosen
    way: Itinerary
    plan: Replayed
    value: float
    replay: Callable[[Environment], Replay]
    stop: Event
    changes_left: int = MOST_CHANGES

    @property
    def environment(self) -> Environment:
        """Before any route."""
        return self.chosen.environment

    @property
    def scenario(self) -> Scenario:
        return self.chosen.environment.scenario

    def counted(self, environment: Environment, plan: Replayed) -> float:
        """What a plan is worth by what counts towards goals."""
        worth = worth_by(environment, plan.booking.problem.goals)
        if worth is None:
            return plan.booking.value()
        return worth(sent_promptly(plan, self.replay(environment), worth))

    def judged(self, found: Found) -> float | None:
        """What a plan is worth once the replay accepts it; None if it does not."""
        replay = self.replay(found.environment)
        plan = mended(found.environment, found.itinerary, found.plan, self.stop, replay)
        accepted = Replayed(plan, replay(plan))
        return self.counted(found.environment, accepted) if accepted.verdict.is_valid else None

    def along(self, environment: Environment, itinerary: Itinerary) -> float | None:
        """What a plan along an itinerary in this environment is worth; None if none is found."""
        if not has_legs(environment.scenario, itinerary):
            return None
        on_it, problem = self.chosen.along(environment, itinerary.routes)
        plan = plan_along(on_it, problem, itinerary, self.plan.booking, self.stop)
        return None if plan is None else self.judged(Found(itinerary, on_it, plan))
