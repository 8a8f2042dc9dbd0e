"""The command that ranks lunar days to land on."""

import sys
from collections.abc import Iterator
from pathlib import Path

import click

from obsplan.cli.files import echo_cautions
from obsplan.cli.options import (
    ALLOW_OUTSIDE,
    EPHEMERIS,
    FIRST_DATE,
    GAP,
    LAST_DATE,
    OUTPUT_DIRECTORY,
    PLANNED,
    SCENARIO,
    Hours,
    example,
)
from obsplan.cli.paths import command
from obsplan.cli.say import say
from obsplan.common import interruption
from obsplan.common.instants import stamp
from obsplan.survey.tolerances import tolerance_lines

FILES = {"days.csv", "windows.csv", "losses.csv", "days.png"}
DETAILS = """A row has first and last light, the landing window and, from the opening of the
window to last light: daylight, Earth elevation, time without Earth, contact, longest contact
gap, eclipses and ground temperature; also energy and downlink capacity as shares of what all
requested runs need. Energy is net of idle loads, so its share may be negative. Useful light is
the daylight remaining minus eclipses, times the smaller of the two shares (at most 1). The
column `notes` says what speaks for and against a day.

Days are ranked by useful light or, with --plan, by value. Those that differ by less than what
matters are equal; then contact decides, then the landing window, then the margin (the smaller
of the two shares). Days equal in all of these share a rank. The column `decided_by` names the
figure in which a day is behind the one ranked before it. Smaller differences than these do not
matter, neither in ranks nor in notes:

\b
"""
DETAILS += "\n".join(f"  {line}" for line in tolerance_lines())
DETAILS += """

The table [landing] of the scenario says what a landing requires (`obsplan keys landing`). A
lunar day goes from local midnight to midnight. It has the number of the lunation in which its
noon falls; lunation 0 begins with the new moon of 2000-01-06. The plan for another day starts
when its window opens and ends as long before or after last light as the scenario's span does.
All times in the scenario shift with the start.

The files replace older ones in the directory together. If one there was changed or added by hand,
nothing is computed and the file is named.

"""


@command(
    epilog=DETAILS
    + example("obsplan days mine/scenario.toml --from 2028-01-01 --to 2029-01-01 -o mine/days"),
)
@SCENARIO
@FIRST_DATE
@LAST_DATE
@PLANNED
@click.option("--late", type=Hours(), help="Also: the loss if the landing is this late, like 24h.")
@click.option(
    "--offset-km",
    type=click.FloatRange(0, 500, min_open=True),
    help="Also: the loss if the landing is this far off to the north, east, south and west.",
)
@click.option(
    "-o", "--output", type=OUTPUT_DIRECTORY, required=True, help="The directory to write."
)
@GAP
@ALLOW_OUTSIDE
@EPHEMERIS
def days(
    scenario_path, first, last, planned, late, offset_km, output, gap, allow_outside, ephemeris
) -> None:
    """On which lunar day should we land?

    Every lunar day whose local noon is in the date range becomes a row of days.csv, ranked
    by useful light or, with --plan, by the value of a plan. windows.csv has the landing
    windows, days.png shows the days. With --late or --offset-km, losses.csv says what a
    landing at the close of the window, a late landing, or one off target loses.
    """
    from obsplan.common.csv_file import write_csv
    from obsplan.common.whole_directory import require_replaceable, write_whole
    from obsplan.inputs.read_scenario import read_scenario
    from obsplan.reporting.figures.landing_days import days_figure
    from obsplan.reporting.figures.save import save_figure
    from obsplan.reporting.text.terminal import progress
    from obsplan.survey.landing_days import landing_days

    require_replaceable(output, FILES)
    scenario = read_scenario(scenario_path, allow_outside=allow_outside)
    report = progress(sys.stderr)
    report("computing Sun, Earth, ground, power and contacts of every lunar day ...")
    echo_cautions(scenario)
    choice = landing_days(
        scenario,
        first,
        last,
        planned=planned,
        gap=gap,
        late_h=late,
        offset_km=offset_km,
        report=report,
        ephemeris_directory=ephemeris,
    )
    picture = days_figure(scenario, choice)

    def fill(part: Path) -> None:
        write_csv(choice.table, part / "days.csv")
        write_csv(choice.windows, part / "windows.csv")
        if len(choice.losses):
            write_csv(choice.losses, part / "losses.csv")
        save_figure(picture, part / "days.png")

    with interruption.held():
        write_whole(output, FILES, fill)
        interruption.settle("the results are written")
    _echo(choice)
    say(f"written to {output}")


def ranked_lines(best) -> Iterator[str]:
    """For each row, best first, a line with rank, lunar day, worth and notes.

    In a survey of sites the line names the site. That of a day says if it is equal to the one
    before it; the best days of two sites may have others between them.
    """
    from obsplan.survey.ranking import in_parts, standing

    for k, row in enumerate(best.itertuples(index=False)):
        worth = (
            f"{row.useful_light_h:.0f} h of useful light"
            if row.value != row.value
            else f"value {row.value:.1f}, upper bound {row.bound:.1f}"
        )
        of_sites = "name" in best
        where = f"{row.name}, " if of_sites else ""
        equal = standing(row) if k and not of_sites else ""
        yield (
            f"{row.rank}. {where}lunar day {row.lunar_day}, landing from "
            f"{stamp(row.landing_opens_utc)} (open {row.landing_h:.0f} h{in_parts(row)}): "
            f"{'; '.join(filter(None, [worth, equal, row.notes]))}"
        )


def _echo(choice) -> None:
    from obsplan.survey.landing_days import most_tolerant_days

    best = choice.table.dropna(subset="rank").sort_values("rank", kind="stable").head(3)
    for line in ranked_lines(best):
        say(line)
    if best.empty:
        say("no lunar day in the range allows a landing; the notes say why")
    if least := most_tolerant_days(choice):
        numbers, kept = least
        days, keep = ("lunar day", "keeps") if len(numbers) == 1 else ("lunar days", "keep")
        say(
            f"most tolerant of a late or off-target landing: {days} "
            f"{', '.join(map(str, numbers))}, which {keep} {100 * kept:.0f} % in the worst case"
        )
