"""A timeline executed in many futures: what is made, what is received, what it is worth."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from obsplan.checking.goal_worth import goal_value
from obsplan.checking.slots import Run, read_slots
from obsplan.common.workers import run_all
from obsplan.environment.along_drives import along_drives
from obsplan.environment.model import Environment
from obsplan.futures import walk
from obsplan.futures.compiled_walk import walked, walker_for
from obsplan.futures.draws import draw
from obsplan.futures.world import world_of
from obsplan.futures.worth import goal_counts, runs_value
from obsplan.inputs.goal import Goal
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.uncertainty import Uncertainty

# Futures that are walked together: a signal is heard between two such parts.
PART = 50
# Share of the futures that are the worst.
WORST = 0.1

Report = Callable[[int, int], None]


@dataclass(frozen=True)
class Futures:
    """A timeline in f futures.

    environment: as predicted. runs: the slots, in order of start. uncertain: what was drawn.
    outcome: what becomes of each run and platform, see `walk.Outcome`. certain: the same in the
    one future with nothing uncertain. seed: of the random numbers. world: the timeline as arrays.
    """

    environment: Environment = field(repr=False)
    runs: tuple[Run, ...] = field(repr=False)
    uncertain: tuple[Uncertainty, ...]
    outcome: walk.Outcome = field(repr=False)
    certain: walk.Outcome = field(repr=False)
    seed: int
    world: walk.World = field(repr=False)

    @cached_property
    def made(self) -> np.ndarray:
        """Which runs (f, runs) are made."""
        return self.outcome.code == walk.MADE

    @cached_property
    def received(self) -> np.ndarray:
        """Which runs (f, runs) are made and have all their data on Earth within the span."""
        return self.made & (self.outcome.received_min >= 0)

    @cached_property
    def value(self) -> np.ndarray:
        """What each future (f,) is worth: received runs, and what counts for goals."""
        value = runs_value(self.environment, self.runs, self.received, self.outcome.start_min)
        for goal in self.environment.scenario.goal:
            value = value + goal_value(goal, self.goal_counts(goal))
        return value

    def goal_counts(self, goal: Goal) -> np.ndarray:
        """How many runs that count for a goal (f, bins) its bins have."""
        counts = self.received if goal.counted == "received" else self.made
        return goal_counts(self.environment, goal, self.runs, counts, self.outcome.start_min)

    @cached_property
    def certain_value(self) -> float:
        """What the timeline is worth if all goes as predicted."""
        return float(replace(self, outcome=self.certain).value[0])

    @property
    def mean_value(self) -> float:
        """Mean value over the futures."""
        return float(self.value.mean())

    @property
    def worst_value(self) -> float:
        """Mean value of the worst tenth of the futures."""
        return worst_mean(self.value)

    @property
    def platforms(self) -> list[str]:
        """Names of the platforms in the order of the outcome's arrays."""
        return sorted(platform.name for platform in self.environment.scenario.platform)


def worst_mean(values: np.ndarray) -> float:
    """Mean of the lowest tenth of the values (n,), at least of one."""
    return float(np.sort(values)[: max(1, round(WORST * len(values)))].mean())


def make_futures(
    environment: Environment,
    slots: pd.DataFrame,
    *,
    samples: int | None = None,
    seed: int | None = None,
    uncertain: Sequence[Uncertainty] | None = None,
    jobs: int | None = 1,
    scheduler: str | None = None,
    report: Report = lambda done, total: None,
) -> Futures:
    """A timeline (see `check_timeline`) executed in many futures by `EXECUTION_RULE`.

    `samples`, `seed` and `uncertain` are those of the scenario unless given. Slots that are over
    are as they were; nothing differs before the last telemetry. `jobs` processes share the work
    (None: all cores), or the Dask cluster of a `scheduler`; the result is the same. `report` hears
    how many futures are done, of how many. Raises TableError if slots are not such a table,
    ValueError if samples are not 1 or more.
    """
    environment = along_drives(environment, slots)
    scenario = environment.scenario
    samples = scenario.futures.samples if samples is None else samples
    seed = scenario.futures.seed if seed is None else seed
    uncertain = tuple(scenario.uncertainty if uncertain is None else uncertain)
    if samples < 1:
        raise ValueError(f"make_futures: samples = {samples}; allowed are 1 or more")
    runs, sending = read_slots(scenario, slots)
    world = world_of(environment, runs, sending)
    return Futures(
        environment,
        tuple(runs),
        uncertain,
        _outcome(scenario, world, uncertain, samples, seed, jobs, scheduler, report),
        _walked_part(scenario, world, (), range(1), seed, samples),
        seed,
        world,
    )


def each_alone(
    futures: Futures,
    *,
    jobs: int | None = 1,
    scheduler: str | None = None,
    report: Report = lambda done, total: None,
) -> list[Futures]:
    """For each uncertainty the same futures with only its draws, without samples of the levels."""
    found = []
    for k, each in enumerate(futures.uncertain):
        report(k, len(futures.uncertain))
        outcome = _outcome(
            futures.environment.scenario,
            futures.world,
            (each,),
            len(futures.value),
            futures.seed,
            jobs,
            scheduler,
        )
        slim = outcome._replace(
            lowest=outcome.lowest[:, :, :0], most_mbit=outcome.most_mbit[:, :, :0]
        )
        found.append(replace(futures, uncertain=(each,), outcome=slim))
    return found


def _outcome(
    scenario: Scenario,
    world: walk.World,
    uncertain: Sequence[Uncertainty],
    samples: int,
    seed: int,
    jobs: int | None,
    scheduler: str | None,
    report: Report = lambda done, total: None,
) -> walk.Outcome:
    """The futures of numbers 0 to `samples`, in parts that processes share."""
    parts = [range(first, min(first + PART, samples)) for first in range(0, samples, PART)]
    work = {k: (scenario, world, uncertain, part, seed, samples) for k, part in enumerate(parts)}
    found: dict[int, walk.Outcome] = {}
    for k, outcome in run_all(_walked_part, work, jobs=jobs, scheduler=scheduler):
        found[k] = outcome
        report(sum(len(parts[done]) for done in found), samples)
    return walk.Outcome(*map(np.concatenate, zip(*(found[k] for k in range(len(parts))))))


def _walked_part(
    scenario: Scenario,
    world: walk.World,
    uncertain: Sequence[Uncertainty],
    part: range,
    seed: int,
    samples: int,
) -> walk.Outcome:
    """The futures of these numbers, which are some of `samples`."""
    draws = draw(scenario, world, uncertain, part, seed)
    return walked(world, draws, walker_for(world, samples))
