"""The command that says what becomes of a plan when things go differently."""

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import click

from obsplan.cli.files import (
    environment_of,
    read_slots,
    reported_before,
    require_uncertainty,
)
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FORMAT,
    OUTPUT_DIRECTORY,
    SCENARIO,
    TIMELINE,
    example,
)
from obsplan.cli.paths import command
from obsplan.cli.say import say
from obsplan.common import interruption
from obsplan.futures.execution_rule import EXECUTION_RULE

MOST_ALONE = 2000

DETAILS = f"""Files: futures.csv has a row a slot, with the chance that it is made and received,
exact 95 % intervals, and why it is not made; causes.csv says what each uncertainty costs if nothing
else is uncertain; futures.png shows the slots shaded by chance, and bands of charge and stored
data; execution_rule.txt is the rule below. `obsplan keys chances` and `obsplan keys causes` explain
the columns.

The same seed draws the same futures for every plan of a scenario, so that plans can be compared.
One more [[uncertainty]] changes no other draw. The first run compiles for half a minute.

\b
{EXECUTION_RULE}
"""


@command(epilog=DETAILS + example("obsplan futures mine/scenario.toml mine/plan -o mine/futures"))
@SCENARIO
@click.argument("plan", type=TIMELINE)
@click.option(
    "-o", "--output", type=OUTPUT_DIRECTORY, required=True, help="The directory of the results."
)
@click.option(
    "--samples", type=click.IntRange(1, 100_000), help="Number of futures. Default: the scenario's."
)
@click.option(
    "--seed", type=click.IntRange(0), help="Seed of the futures. Default: the scenario's."
)
@click.option("--jobs", type=click.IntRange(1), help="Number of processes. Default: all cores.")
@click.option("--scheduler", metavar="ADDRESS", help="Share the work with a Dask cluster.")
@click.option(
    "--contingencies",
    is_flag=True,
    help="Also write contingencies.csv: each instrument, station and platform lost for good from "
    "each day on, what that costs, and what a replan saves.",
)
@click.option(
    "--surer",
    is_flag=True,
    help="Also try single changes of the plan for the goals that are least sure: another run, a "
    "run moved earlier or left out, a pass booked; write surer.csv.",
)
@FORMAT
@ALLOW_OUTSIDE
@EPHEMERIS
def futures(
    scenario_path: Path,
    plan: Path,
    output: Path,
    samples: int | None,
    seed: int | None,
    jobs: int | None,
    scheduler: str | None,
    contingencies: bool,
    surer: bool,
    form: str,
    allow_outside: bool,
    ephemeris: Path | None,
) -> None:
    """What becomes of a plan when things go differently?

    PLAN is a plan directory or a timeline CSV. Hundreds of futures are drawn from the
    [[uncertainty]] tables of the scenario: arrays, draws, battery, link, lengths and failures of
    runs, outages. In each the plan is executed minute by minute by a stated rule, which knows only
    what has been measured so far. A run counts when its data are on Earth.
    """
    from obsplan.futures.compiled_walk import walker_for
    from obsplan.futures.execute import each_alone, make_futures
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.reporting.futures_directory import require_replaceable, write_futures
    from obsplan.reporting.text.futures_lines import futures_lines, surer_lines
    from obsplan.reporting.text.terminal import progress

    require_replaceable(output)
    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    require_uncertainty(scenario, scenario_path)
    slots = read_slots(plan, scenario, "its slots run in the futures of this one")
    environment = environment_of(scenario, ephemeris, reported_before(plan, scenario))
    report = progress(sys.stderr)
    count = scenario.futures.samples if samples is None else samples
    share: dict[str, Any] = {"jobs": jobs, "scheduler": scheduler}
    # So few futures take less time than other processes take to start.
    walk = share | {"jobs": jobs or (1 if count <= MOST_ALONE else None)}
    report(f"walking {count} futures (compiling once for half a minute) ...")
    with interruption.interruptible():
        told = partial(_tell, report, "{} of {} futures")
        found = make_futures(environment, slots, samples=samples, seed=seed, report=told, **walk)
        alone = each_alone(found, report=partial(_tell_cause, report), **walk)
        changes = _surer(found, slots, plan, report) if surer else None
        lost = _contingencies(environment, slots, share, report) if contingencies else None
    if words := walker_for(found.world, count).told:
        report(words)
    report("writing tables and figure ...")
    write_futures(found, output, form, alone, lost, changes)
    for line in (*futures_lines(found, alone), *surer_lines(found, changes)):
        say(line)
    say(f"written to {output}")


def _contingencies(environment, slots, share: dict, report: Callable[[str], None]):
    """What is lost if something fails for good, with progress; `share` says who does the work."""
    from obsplan.futures.contingencies import contingencies_table

    told = partial(_tell, report, "{} of {} replans after a loss")
    return contingencies_table(environment, slots, report=told, **share)


def _tell(report: Callable[[str], None], words: str, done: int, total: int) -> None:
    report(words.format(done, total))


def _surer(found, slots, plan: Path, report: Callable[[str], None]):
    """What would make the least sure goals surer; TableError if a slot starts off the time grid."""
    from obsplan.common.errors import TableError
    from obsplan.futures.surer_changes import surer_changes

    if not found.environment.scenario.goal:
        report("--surer: nothing is tried, since the scenario has no [[goal]]")
    try:
        return surer_changes(found, slots, report=report)
    except ValueError as problem:
        raise TableError(f"{plan}: --surer: {problem}") from None


def _tell_cause(report: Callable[[str], None], done: int, total: int) -> None:
    report(f"uncertainty {done + 1} of {total} by itself")
