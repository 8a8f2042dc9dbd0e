"""How many runs a team watches at the same time."""

from collections.abc import Iterator

import numpy as np

from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.intervals import from_mask
from obsplan.common.text import number_text
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.team import Team


def crowded_teams(scenario: Scenario, runs: list[Run]) -> Iterator[Violation]:
    """Each unbroken stretch in which more runs need a team than it can watch at once."""
    for team in scenario.team:
        for start_min, end_min in watching(team, runs, team.at_once + 1):
            named = [r for r in _needing(team, runs) if r.start_min < end_min]
            named = [run for run in named if run.end_min > start_min]
            most = max(_at_once(named, [run.start_min for run in named]))
            yield Violation(
                "team at once",
                scenario.instant_at(start_min),
                float(most - team.at_once),
                "run",
                f'{most} runs need "{team.name}" at once, for {number_text(end_min - start_min)} '
                f"min from {scenario.stamp_at(start_min)}: {', '.join(map(str, named))}",
                reason=f'"{team.name}" can watch {team.at_once} at once',
                platform=named[-1].platform,
                activity=named[-1].activity.name,
                slots=tuple(run.slot for run in named),
            )


def watching(team: Team, runs: list[Run], least: int) -> list[tuple[float, float]]:
    """The stretches, in minutes of the span, in which at least so many runs need the team."""
    own = _needing(team, runs)
    turns = np.unique([minute for run in own for minute in (run.start_min, run.end_min)])
    many = _at_once(own, turns[:-1]) >= least
    return [(float(a), float(b)) for a, b in from_mask(many, turns)] if many.any() else []


def _needing(team: Team, runs: list[Run]) -> list[Run]:
    return [run for run in runs if team.name in run.activity.needs]


def _at_once(runs: list[Run], minutes: list[float] | np.ndarray) -> np.ndarray:
    """How many of the runs are on in each of these minutes (n,)."""
    begun = np.searchsorted(np.sort([run.start_min for run in runs]), minutes, side="right")
    ended = np.searchsorted(np.sort([run.end_min for run in runs]), minutes, side="right")
    return np.asarray(begun - ended)
