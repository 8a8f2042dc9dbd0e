"""What several commands do with files: read a timeline, compute the physics, write results."""

from collections.abc import Mapping
from pathlib import Path

from obsplan.cli.say import hand_over, say
from obsplan.common import interruption


def read_slots(path: Path, scenario, note: str, now_utc=None):
    """The slots of a timeline or of the timeline in a plan directory.

    If the timeline was planned for another scenario, a line that ends in `note` says so; another
    line names each figure in it that is far from the scenario's.
    """
    from obsplan.inputs.timeline_csv import another_scenario, read_timeline

    path = timeline_path(path)
    slots = read_timeline(path, scenario, now_utc, echo_note)
    if origin := another_scenario(path, scenario):
        echo_note(f"{origin}; {note}")
    return slots


def echo_note(line: str) -> None:
    """Print a line that the user should know of, to standard error."""
    say(f"note: {line}", err=True)


def reported_before(timeline: Path, scenario, now_utc=None):
    """What was reported up to the plan of a timeline, None if nothing was; a note says so."""
    from obsplan.inputs.reported_file import REPORTED, reported_beside

    path = timeline_path(timeline)
    state = reported_beside(path, scenario, now_utc)
    if state is not None:
        echo_note(f"{path.with_name(REPORTED)}: what was reported up to this plan is used")
    return state


def echo_oddities(environment, slots, ran, now_utc) -> None:
    """Print a note for each thing that is odd in what ran."""
    from obsplan.operations.odd_runs import odd_runs
    from obsplan.reporting.text.sentences import oddity_lines

    for line in oddity_lines(odd_runs(environment, slots, ran, now_utc)):
        echo_note(line)


def require_uncertainty(scenario, path: Path) -> None:
    """Raise ScenarioError if nothing in the scenario is uncertain."""
    from obsplan.common.errors import ScenarioError

    if not scenario.uncertainty:
        raise ScenarioError(
            f"{path}: uncertainty: there is none, so nothing can go differently; add "
            "[[uncertainty]] tables, see `obsplan keys uncertainty`"
        )


def known_judge(scenario, path: Path, judge: str | None):
    """What judges futures (see `obsplan.futures.surer_plans.JUDGES`); None if nothing is judged.

    Raises ScenarioError if nothing in the scenario is uncertain, or no goal has the minimum that is
    judged by.
    """
    from obsplan.cli.options import BY_DEFAULT
    from obsplan.common.errors import ScenarioError
    from obsplan.futures.surer_plans import judge_of

    if judge is None:
        return None
    require_uncertainty(scenario, path)
    try:
        return judge_of(scenario, None if judge == BY_DEFAULT else judge)
    except ValueError:
        raise ScenarioError(
            f"{path}: goal: none has a minimum, so --judge {judge} has nothing to judge by; "
            "allowed are mean and mean-worst-10-percent"
        ) from None


def timeline_path(path: Path) -> Path:
    """The timeline file, if `path` is a plan directory the one in it."""
    return path / "timeline.csv" if path.is_dir() else path


def environment_of(scenario, ephemeris: Path | None, telemetry=None):
    """The physics of the scenario, as telemetry corrects it."""
    from obsplan.environment.build import make_environment

    say("computing Sun, Earth, ground, power and link ...", err=True)
    echo_cautions(scenario)
    if telemetry is None:
        environment = make_environment(scenario, ephemeris)
        echo_pass_cautions(environment)
        return environment
    from obsplan.operations.telemetry import stations_out, with_telemetry

    environment = make_environment(scenario, ephemeris, stations_out(scenario, telemetry))
    echo_pass_cautions(environment)
    return with_telemetry(environment, telemetry)


def echo_cautions(scenario) -> None:
    """Say on standard error what may make the skyline from elevation models wrong."""
    from obsplan.environment.site_skyline import site_cautions

    for caution in site_cautions(scenario):
        say(f"caution: {caution}", err=True)


def echo_pass_cautions(environment) -> None:
    """Say on standard error which booked time does not count, as it is not visible."""
    from obsplan.environment.booked_passes import pass_cautions

    for caution in pass_cautions(environment):
        say(f"caution: {caution}", err=True)


def write_or_print(table, output: Path | None, figure: Path | None = None, drawing=None) -> None:
    """Write a table, if there is one, to `output`, or print it as CSV if that is not given.

    `drawing` is written to `figure`, if that is given; its name goes to standard error.
    """
    from obsplan.common.csv_file import csv_text

    write_results({output: table, figure: drawing})
    if table is not None and not output:
        hand_over(csv_text(table))
    if figure:
        say(figure, err=True)


def write_results(results: Mapping) -> None:
    """Write tables and figures by path; all are complete before the first one appears.

    Those without a path are not written.
    """
    from obsplan.common.atomic_write import write_files
    from obsplan.common.errors import ObsplanError

    contents = {path: _content(result, path) for path, result in results.items() if path}
    try:
        with interruption.held():
            write_files(contents)
            interruption.settle("the results are written" if contents else "nothing was written")
    except OSError as problem:
        names = ", ".join(map(str, contents))
        raise ObsplanError(f"{names}: cannot be written ({problem.strerror})") from None


def _content(result, path: Path) -> bytes:
    if hasattr(result, "savefig"):
        from obsplan.reporting.figures.save import figure_bytes

        return figure_bytes(result, path.suffix)
    from obsplan.common.csv_file import csv_text

    return csv_text(result).encode()
