"""What is lost if an instrument, a station or a platform fails for good, and what a replan saves.

One row for each of them and each day of the span, from which on it is out of service. All else goes
as predicted.
"""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.slots import read_slots
from obsplan.common.errors import ObsplanError
from obsplan.common.workers import run_all
from obsplan.environment.along_drives import along_drives
from obsplan.environment.build import make_environment
from obsplan.environment.model import Environment
from obsplan.futures.columns import CONTINGENCY_COLUMNS
from obsplan.futures.compiled_walk import walked, walker_for
from obsplan.futures.draws import draw, things
from obsplan.futures.execute import Futures
from obsplan.futures.world import world_of
from obsplan.inputs.telemetry_file import Outage, State
from obsplan.operations.replan import make_replan
from obsplan.operations.telemetry import stations_out, with_telemetry

# Days between two losses that are told.
EVERY = timedelta(days=1)
# First changes of a replan that are named.
MOST_NAMED = 3


class Loss(NamedTuple):
    """A thing that is out of service from a time on; thing: its number in `things`."""

    thing: int
    kind: str
    name: str
    from_utc: datetime


def losses_of(environment: Environment) -> list[Loss]:
    """Every instrument, station and platform, lost at the start of each day of the span."""
    scenario = environment.scenario
    kinds = ["instrument"] * len(scenario.instrument) + ["station"] * len(scenario.station)
    kinds += ["platform"] * len(scenario.platform)
    length = timedelta(minutes=scenario.steps * scenario.span.step_min)
    return [
        Loss(k, kind, name, scenario.span.start_utc + day * EVERY)
        for k, (kind, name) in enumerate(zip(kinds, things(scenario)))
        for day in range(-(-length // EVERY))
    ]


def contingencies_table(
    environment: Environment,
    slots: pd.DataFrame,
    *,
    jobs: int | None = None,
    scheduler: str | None = None,
    report: Callable[[int, int], None] = lambda done, total: None,
) -> pd.DataFrame:
    """What each loss costs by the execution rule, and after a replan: columns CONTINGENCY_COLUMNS.

    `slots` are those of `read_timeline` or of a plan. Values are of what is received by the end, as
    in `make_futures`. A replan is made where the loss costs anything, as soon as it happens, with
    nothing frozen; `jobs` processes share them (None: all cores), or the Dask cluster of a
    `scheduler`; the rows are the same. Raises ValueError if the environment has telemetry.
    """
    if environment.telemetry is not None:
        raise ValueError("contingencies_table: start from an environment without telemetry")
    losses = losses_of(environment)
    *values, certain = _by_the_rule(environment, slots, losses, len(losses))
    costly = [k for k in range(len(losses)) if values[k] < certain - 1e-6]
    work = {k: (environment, slots, losses[k], len(losses)) for k in costly}
    after: dict[int, tuple[float, str]] = {}
    for k, found in run_all(_after_replan, work, jobs=jobs, scheduler=scheduler):
        after[k] = found
        report(len(after), len(costly))
    rows = []
    for k, loss in enumerate(losses):
        replanned, changes = after.get(k, (values[k], ""))
        rows.append(
            {
                "lost": loss.name,
                "kind": loss.kind,
                "from_utc": loss.from_utc,
                "value": values[k],
                "cost": certain - values[k],
                "cost_percent": 100 * (1 - values[k] / certain) if certain else 0.0,
                "replanned_value": max(replanned, values[k]),
                "saved": max(replanned - values[k], 0.0),
                "first_changes": changes if replanned > values[k] + 1e-6 else "",
            }
        )
    table = pd.DataFrame(rows, columns=CONTINGENCY_COLUMNS)
    table["from_utc"] = pd.to_datetime(table["from_utc"], utc=True).astype("datetime64[s, UTC]")
    return table


def _by_the_rule(
    environment: Environment, slots: pd.DataFrame, losses: list[Loss], in_all: int
) -> np.ndarray:
    """Value with each loss, and at last with nothing lost (losses + 1,), by the execution rule.

    `in_all`: for how many losses such values are asked, so that it pays to compile the walk or not.
    """
    environment = along_drives(environment, slots)
    scenario = environment.scenario
    runs, sending = read_slots(scenario, slots)
    world = world_of(environment, runs, sending)
    n = world.generation_w.shape[1]
    rows = [
        (k, loss.thing, int(scenario.minutes_of(loss.from_utc)), n) for k, loss in enumerate(losses)
    ]
    draws = draw(scenario, world, (), range(len(losses) + 1), 0)
    draws = draws._replace(outages=np.array(rows, dtype=np.int64).reshape(-1, 4))
    outcome = walked(world, draws, walker_for(world, in_all))
    return Futures(environment, tuple(runs), (), outcome, outcome, 0, world).value


def _after_replan(
    environment: Environment, slots: pd.DataFrame, loss: Loss, in_all: int
) -> tuple[float, str]:
    """Value received after a replan at the time of the loss, and its first changes in words."""
    scenario = environment.scenario
    out = [loss.name]
    if loss.kind == "platform":
        out = [i.name for i in scenario.instrument if i.platform == loss.name]
    outages = tuple(Outage(name=name, from_utc=loss.from_utc) for name in out)
    state = State(at_utc=loss.from_utc)
    if loss.kind == "station":
        state = state.model_copy(update={"station": outages})
        environment = make_environment(scenario, None, stations_out(scenario, state))
    else:
        state = state.model_copy(update={"instrument": outages})
    there = with_telemetry(environment, state)
    try:
        made = make_replan(there, slots, loss.from_utc, freeze=timedelta(0), explained=False)
    except ObsplanError:
        return 0.0, ""
    value = _by_the_rule(there, made.plan.timeline, [loss], in_all)[0]
    first = made.changes.head(MOST_NAMED).itertuples(index=False)
    return float(value), "; ".join(map(_words, first))


def _words(row) -> str:
    """A change in words: "moved drive to 2028-07-04 05:00"."""
    if pd.isna(row.to_utc):
        return f"{row.change} {row.activity} of {row.from_utc:%Y-%m-%d %H:%M}"
    return f"{row.change} {row.activity} to {row.to_utc:%Y-%m-%d %H:%M}"
