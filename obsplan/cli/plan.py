"""The command that plans, and audits a scenario before."""

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from obsplan.cli.options import EPHEMERIS, GAP, SCENARIO


@click.command()
@SCENARIO
@click.option("-o", "--output", type=click.Path(path_type=Path), help="The plan directory.")
@GAP
@click.option(
    "--effort",
    type=click.Choice(["low", "normal", "high"]),
    default="normal",
    show_default=True,
    help="How much to search: counts of work, the same on every machine.",
)
@click.option(
    "--patience",
    type=click.FloatRange(0, min_open=True),
    metavar="SECONDS",
    help="Stop by the clock, whatever has been found by then.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["png", "svg", "pdf"]),
    default="png",
    show_default=True,
    help="How the figures are written.",
)
@click.option("--worth", is_flag=True, help="Print what more of each resource would add.")
@click.option("--dry-run", is_flag=True, help="Only audit the scenario, and write nothing.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors; the exit code tells.")
@click.option("--json", "as_json", is_flag=True, help="Print summary.json instead of a table.")
@EPHEMERIS
def plan(
    scenario: Path,
    output: Path | None,
    gap: float,
    effort: str,
    patience: float | None,
    form: str,
    worth: bool,
    dry_run: bool,
    quiet: bool,
    as_json: bool,
    ephemeris: Path | None,
) -> None:
    """Which instrument runs when? Writes a plan directory.

    Ctrl-C ends the search with the best plan found so far. With --dry-run the scenario is
    audited instead: what rules out any plan (exit code 1), what is odd, and what its runs
    take of each platform against what there is.
    """
    if patience is not None and patience != patience:
        raise click.BadParameter("must be a number of seconds", param_hint="--patience")
    if quiet and as_json:
        raise click.UsageError("--quiet and --json exclude each other")
    if worth and (quiet or as_json or dry_run):
        raise click.UsageError(
            "--worth prints a table after a plan: ask for it without --quiet, --json and --dry-run"
        )
    if output is None and not dry_run:
        raise click.UsageError("name the plan directory with -o, or ask for --dry-run")
    from obsplan.environment.build import make_environment
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.planning.plan import make_plan as make_plan
    from obsplan.planning.reasons.audit import many_starts
    from obsplan.reporting import plan_directory
    from obsplan.reporting.text import terminal

    if not dry_run:
        plan_directory.require_replaceable(output)
    report = (lambda line: None) if quiet else terminal.progress(sys.stderr)
    read = read_scenario(scenario)
    report("computing Sun, Earth, ground, power and link ...")
    offered = make_environment(read, ephemeris)
    if dry_run:
        _audit(read, offered, quiet, as_json)
        return
    report(f"physics of {read.steps} steps ready; planning {len(read.activity)} activities")
    for activity in read.activity:
        asked = activity.warm_up_min + activity.duration_min
        if read.slot_min(activity) != asked:
            report(f"{activity.name}: {asked} min rounded up to {read.slot_min(activity)} min")
    if many := many_starts(offered):
        report(f"{many[0]}; would help: {many[1]}")
    made = make_plan(offered, gap, report, effort, patience)
    with _interruption_put_off(report):
        report("writing tables and pictures ...")
        plan_directory.write_plan(made, output, form)
    if as_json:
        click.echo((output / "summary.json").read_text(encoding="utf-8"), nl=False)
    elif not quiet:
        _say(terminal.plan_lines(read, made, output, terminal.colours(sys.stdout)))
    if worth:
        from obsplan.planning.reasons.marginal_worth import marginal_worth

        report("asking what more would add ...")
        more = marginal_worth(offered)
        _say(terminal.worth_lines(more, terminal.colours(sys.stdout)))


def _audit(read, offered, quiet: bool, as_json: bool) -> None:
    import json

    from obsplan.planning.reasons.audit import CANNOT, audit, balance
    from obsplan.reporting.text import terminal

    findings, supply = audit(offered), balance(offered)
    cannot = bool((findings["weight"] == CANNOT).any())
    if as_json:
        facts = {
            "title": read.title,
            "input_sha256_16": read.input_hash,
            "may_hold": not cannot,
            "findings": findings.to_dict("records"),
            "balance": supply.round(3).to_dict("records"),
        }
        click.echo(json.dumps(facts, indent=2))
    elif not quiet:
        _say(terminal.audit_lines(findings, supply, terminal.colours(sys.stdout)))
    if cannot:
        sys.exit(1)


@contextmanager
def _interruption_put_off(report: Callable[[str], None]) -> Iterator[None]:
    """Ctrl-C waits: what was found is not to be lost in the seconds that writing takes."""

    def told(*_) -> None:
        report("one moment: the plan is being written")

    kept = signal.signal(signal.SIGINT, told)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, kept)


def _say(lines: list[str]) -> None:
    # Whether colour suits was judged already; left to itself the library would judge anew.
    click.echo("\n".join(lines), color=True)
