"""The command for every day after the first: a plan made anew from now on."""

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from obsplan.cli.options import EPHEMERIS, GAP, SCENARIO, STATE, Hours, Share


def instant(text: str, scenario) -> datetime:
    """The instant of `--now`; raises ScenarioError when it has no zone or is not in the span."""
    from obsplan.reporting.text.link_answer import instant_of

    return instant_of(text, scenario, "--now")[0].item().replace(tzinfo=UTC)


@click.command()
@SCENARIO
@click.argument("timeline", type=click.Path(path_type=Path))
@click.option("--now", required=True, help="From when on to plan, UTC, like 2028-07-06T12:00:00Z.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="The plan directory."
)
@STATE
@click.option(
    "--as-run", type=click.Path(path_type=Path), help="What ran, as for `obsplan compare`."
)
@click.option(
    "--freeze",
    type=Hours(or_none=True),
    default="2h",
    show_default=True,
    help="Slots that start within this time stay.",
)
@click.option(
    "--keep",
    type=Share(),
    default=0.01,
    show_default=True,
    help="Share of the most science to give up at most for fewer moves.",
)
@GAP
@EPHEMERIS
def replan(
    scenario: Path,
    timeline: Path,
    now: str,
    output: Path,
    told: Path | None,
    as_run: Path | None,
    freeze: float,
    keep: float,
    gap: float,
    ephemeris: Path | None,
) -> None:
    """Things went differently: what now? Writes a plan directory.

    What was done, runs, starts soon or is locked by hand stays; the rest is planned anew.
    changes.csv says what moved, was dropped and was added, and why; price_list.csv sets
    science against moves. TIMELINE is a timeline or a plan directory. Exit code 1 when a
    rule is broken whatever is planned: the plan is made around it all the same.
    """
    from obsplan.environment.build import make_environment
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.inputs.telemetry_file import read_state
    from obsplan.inputs.timeline_csv import another_scenario, read_as_run, read_timeline
    from obsplan.operations.replan import make_replan as make_replan
    from obsplan.operations.telemetry import as_known, stations_out, told_runs
    from obsplan.reporting import plan_directory
    from obsplan.reporting.text import terminal

    plan_directory.require_replaceable(output)
    report = terminal.progress(sys.stderr)
    read = read_scenario(scenario)
    now_utc = instant(now, read)
    timeline = timeline / "timeline.csv" if timeline.is_dir() else timeline
    slots = read_timeline(timeline, read)
    plan_directory.calendar_of(timeline.parent)
    if origin := another_scenario(timeline, read):
        click.echo(f"note: {origin}; planned for this one", err=True)
    state = read_state(told, read, now_utc) if told else None
    ran = told_runs(state, slots, read_as_run(as_run, read) if as_run else None)
    report("computing Sun, Earth, ground, power and link ...")
    offered = make_environment(read, ephemeris, stations_out(read, state) if state else None)
    offered = as_known(offered, state) if state else offered
    made = make_replan(
        offered,
        slots,
        now_utc,
        ran=ran,
        freeze=timedelta(hours=freeze),
        keep=keep,
        gap=gap,
        report=report,
    )
    tables = {"changes.csv": made.changes, "price_list.csv": made.price_list}
    facts = {
        "now_utc": f"{now_utc:%Y-%m-%dT%H:%M:%SZ}",
        "already_broken": made.broken["message"].tolist(),
        "taken_for_granted": list(made.remarks),
    }
    plan_directory.write_plan(
        made.plan,
        output,
        tables=tables,
        facts=facts,
        follows=timeline.parent,
        now_utc=now_utc,
    )
    _echo(made, output)
    if not made.plan.verdict.is_valid:
        sys.exit(1)


def _echo(made, directory: Path) -> None:
    from obsplan.common.text import raised
    from obsplan.reporting.text.sentences import (
        change_lines,
        margin_lines,
        price_lines,
        violation_lines,
    )

    for remark in made.remarks:
        click.echo(f"note: {remark}")
    for line in change_lines(made.changes):
        click.echo(line)
    count = made.changes["change"].value_counts()
    told = ", ".join(f"{count.get(kind, 0)} {kind}" for kind in ("moved", "dropped", "added"))
    click.echo(f"{made.kept} kept, {told}")
    click.echo(
        f"value {made.plan.value:.1f}; the old plan, had it gone on: {made.value_left:.1f}; "
        f"no plan around what stays can be worth more than {raised(made.plan.bound)}"
    )
    for line in price_lines(made.price_list):
        click.echo(line)
    for line in violation_lines(made.broken):
        click.echo(f"broken whatever is planned: {line}")
    click.echo(made.plan.verdict.summary)
    for line in margin_lines(made.plan.verdict):
        click.echo(line)
    click.echo(f"written to {directory}")
