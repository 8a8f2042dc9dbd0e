"""The directory of the futures of a plan: tables, a picture and the execution rule in words."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from obsplan.common import whole_directory
from obsplan.common.csv_file import write_csv
from obsplan.futures.execute import Futures, each_alone
from obsplan.futures.execution_rule import EXECUTION_RULE
from obsplan.futures.goal_chances import goal_futures_table
from obsplan.futures.tables import causes_table, futures_table

if TYPE_CHECKING:
    from obsplan.reporting.figures.layout import Figure

FORMATS = ("png", "svg", "pdf")


class Results(NamedTuple):
    """What the files are made from: the futures, those with one uncertainty each, and what would
    make goals surer, if that was asked for."""

    futures: Futures
    alone: Sequence[Futures]
    surer: pd.DataFrame | None = None


class FuturesFile(NamedTuple):
    """A file of the directory: its content in one line, and what makes it; None if it has none."""

    holds: str
    content: "Callable[[Results], pd.DataFrame | Figure | str | None]"


def _figure(results: Results) -> "Figure":
    # The drawing library is slow to load, so it is imported only to draw.
    from obsplan.reporting.figures.futures import futures_figure

    return futures_figure(results.futures)


def _goals(futures: Futures) -> pd.DataFrame | None:
    return goal_futures_table(futures) if futures.environment.scenario.goal else None


FILES = {
    "futures.csv": FuturesFile(
        "per slot: the chance that it is made and received, with intervals, and why it is not made",
        lambda results: futures_table(results.futures),
    ),
    "goal_futures.csv": FuturesFile(
        "per goal: the chance of its minimum and of all, with intervals, and its value",
        lambda results: _goals(results.futures),
    ),
    "causes.csv": FuturesFile(
        "per uncertainty: what it costs if nothing else is uncertain",
        lambda results: causes_table(results.alone),
    ),
    "surer.csv": FuturesFile(
        "per change that was tried for the least sure goals: how sure they are with it",
        lambda results: results.surer,
    ),
    "futures.png": FuturesFile(
        "figure: slots shaded by chance, bands of charge and stored data", _figure
    ),
    "execution_rule.txt": FuturesFile(
        "what makes a run start, wait, be skipped or stop", lambda results: EXECUTION_RULE
    ),
}
CONTINGENCIES = "contingencies.csv"
NAMES = {CONTINGENCIES, *FILES, *(f"futures.{form}" for form in FORMATS)}


def write_futures(
    futures: Futures,
    directory: str | Path,
    form: str = "png",
    alone: Sequence[Futures] | None = None,
    contingencies: pd.DataFrame | None = None,
    surer: pd.DataFrame | None = None,
) -> None:
    """Write the directory of these futures; it replaces an older one once it is complete.

    The files are those of `FILES`, the figure as `form`, one of `FORMATS`. `alone` are the futures
    with one uncertainty each (see `each_alone`), which are walked if not given; `contingencies` and
    `surer` the tables of these names, if there are any. Raises TableError if the directory cannot
    be written, or holds something else.
    """
    results = Results(futures, each_alone(futures) if alone is None else alone, surer)

    def fill(part: Path) -> None:
        if contingencies is not None:
            write_csv(contingencies, part / CONTINGENCIES)
        for name, file in FILES.items():
            content, path = file.content(results), part / name
            if content is None:
                continue
            if isinstance(content, pd.DataFrame):
                write_csv(content, path)
            elif isinstance(content, str):
                path.write_text(content, encoding="utf-8")
            else:
                from obsplan.reporting.figures.save import save_figure

                save_figure(content, path.with_suffix(f".{form}"))

    whole_directory.write_whole(Path(directory), NAMES, fill)


def require_replaceable(directory: Path) -> None:
    """Raise TableError unless `directory` is new, empty, or as this module wrote it."""
    whole_directory.require_replaceable(directory, NAMES)
