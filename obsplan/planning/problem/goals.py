"""Goals in the scheduling problem: counters of runs by bin, shared by tasks, and what they add."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

Measure = Literal["value", "promise"]

# Of a goal that counts activities together the search values each alone by so much, so that the
# first run of several in a bin is worth something to it.
ALONE = 0.2
# If spare runs are wanted, each counts so many times what a run of the minimum adds, so that the
# search trades none of them for other runs; those of the minimum count as much again.
PRESSING = 4.0


@dataclass(frozen=True)
class Goal:
    """Runs that are wanted in each of some bins, and what each adds.

    bins (tasks, steps): the bin in which a start of a task counts, -1 if in none. group (tasks,):
    which counter of the bin it raises, -1 if none; a bin has as many runs as the lowest of its
    counters says. held (groups, bins): runs that are fixed elsewhere. In each bin `runs_each` runs
    are worth `run_value`; those of the minimum, which are up to `minimum_runs` in each of the
    `minimum_bins` bins that have most of them, `bonus` more. required: no plan without these.
    """

    name: str
    bins: np.ndarray
    group: np.ndarray
    held: np.ndarray
    runs_each: int
    minimum_bins: int
    minimum_runs: int
    run_value: float
    bonus: float
    required: bool = False

    def counts(self, runs: list[list[int]]) -> np.ndarray:
        """Runs counted (groups, bins) if the tasks run at these starts, those held too."""
        counts = self.held.copy()
        for starts, bins, group in zip(runs, self.bins, self.group):
            if group >= 0 and starts:
                counted = bins[starts]
                np.add.at(counts[group], counted[counted >= 0], 1)
        return counts

    def value(self, counts: np.ndarray) -> float:
        """What so many runs (groups, bins) are worth."""
        there = counts.min(axis=0)
        of_minimum = np.sort(np.minimum(there, self.minimum_runs))[::-1][: self.minimum_bins]
        requested = np.minimum(there, self.runs_each)
        return float(self.run_value * requested.sum() + self.bonus * of_minimum.sum())

    def planned_value(self, runs: list[list[int]]) -> float:
        """What the runs of a plan add to the value of those that are held."""
        return self.value(self.counts(runs)) - self.value(self.held)

    def wanted(self, runs: list[list[int]], task: int) -> int:
        """How many more runs of `task` the goal wants; of others that do as well none has run."""
        if self.group[task] < 0:
            return 0
        return int(np.maximum(self.runs_each - self.counts(runs)[self.group[task]], 0).sum())

    def promise(self, counts: np.ndarray) -> float:
        """What so many runs are worth to a search: one that still needs others is worth a little.

        No less than `value`, and equal if all counters of each bin are.
        """
        alone = float(np.mean([self.value(row[None]) for row in counts]))
        return (1 - ALONE) * self.value(counts) + ALONE * alone

    def gains(self, counts: np.ndarray, of: Measure = "value") -> np.ndarray:
        """What one more run adds (groups, bins) to the value, or to the "promise"."""
        measure = self.value if of == "value" else self.promise
        now = measure(counts)
        gains = np.zeros(counts.shape)
        for place in np.ndindex(*counts.shape):
            more = counts.copy()
            more[place] += 1
            gains[place] = measure(more) - now
        return gains

    def gain_of_starts(self, gains: np.ndarray, task: int) -> np.ndarray:
        """What one more run of `task` adds, by its start (steps,), given what counters add."""
        if self.group[task] < 0:
            return np.zeros(self.bins.shape[1])
        bins = self.bins[task]
        return np.where(bins >= 0, gains[self.group[task], np.maximum(bins, 0)], 0.0)

    def most(self, starts: list[np.ndarray]) -> float:
        """What all runs that these starts (steps,) permit add at most, however many there are."""
        reached = np.zeros(self.held.shape, dtype=bool)
        for allowed, bins, group in zip(starts, self.bins, self.group):
            if group >= 0:
                counted = bins[allowed]
                reached[group, counted[counted >= 0]] = True
        return self.value(self.held + self.runs_each * reached) - self.value(self.held)

    def least(self) -> float:
        """The least above zero that a run can add."""
        worths = (self.run_value, self.bonus, self.run_value + self.bonus)
        return min((worth for worth in worths if worth > 0), default=np.inf)

    def of_minimum(self, counts: np.ndarray) -> int:
        """How many of so many runs (groups, bins) count for the minimum."""
        there = np.minimum(counts.min(axis=0), self.minimum_runs)
        return int(np.sort(there)[::-1][: self.minimum_bins].sum())

    def missing(self, counts: np.ndarray) -> int:
        """How many runs the minimum still needs with so many (groups, bins)."""
        return self.minimum_bins * self.minimum_runs - self.of_minimum(counts)

    def lacks_minimum(self, runs: list[list[int]]) -> bool:
        """Whether a plan with these runs misses a minimum that is required."""
        return self.required and self.missing(self.counts(runs)) > 0

    def worth_more(self, bonus: float) -> "Goal":
        """The goal with so much more for each run of the minimum."""
        return replace(self, bonus=self.bonus + bonus)

    def minimum_alone(self) -> "Goal":
        """The goal that counts the runs of its minimum, each as one, and requires none."""
        return replace(self, run_value=0.0, bonus=1.0, required=False)

    def with_spare_runs(self, spare: int) -> tuple["Goal", ...]:
        """The goal with what its minimum adds counting more, and another that counts so many
        further runs in each bin of it for less than that, so that the minimum comes first."""
        if not self.minimum_bins or not spare:
            return (self,)
        runs = min(self.minimum_runs + spare, self.runs_each)
        bonus = PRESSING * max(self.bonus, self.run_value)
        further = replace(self, minimum_runs=runs, run_value=0.0, bonus=bonus, required=False)
        return replace(self, bonus=bonus), further

    def of_tasks(self, owners: list[int]) -> "Goal":
        """The goal of a problem whose task i is what `owners[i]` is here."""
        return replace(self, bins=self.bins[owners], group=self.group[owners])

    def in_parts(self, parts: int) -> "Goal":
        """The goal of a problem in which each step is `parts` steps."""
        return replace(self, bins=np.repeat(self.bins, parts, axis=1))

    def holding_none(self) -> "Goal":
        """The goal with no runs held."""
        return replace(self, held=np.zeros_like(self.held))

    def holding(self, counts: np.ndarray) -> "Goal":
        """The goal with so many runs (groups, bins) held."""
        return replace(self, held=counts)
