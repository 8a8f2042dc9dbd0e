"""The option of plan and replan that looks for plans which differ clearly."""

from collections.abc import Callable

import click

from obsplan.cli.patience import Patience
from obsplan.common import interruption

ALTERNATIVES = click.option(
    "--alternatives",
    "plans",
    type=click.IntRange(2, 5),
    metavar="N",
    help="Also find plans that differ clearly, up to N in all, and compare them.",
)


def found_alternatives(
    find: Callable[[int], list],
    plans: int | None,
    patience: Patience,
    report: Callable[[str], None],
) -> list:
    """Plans that differ clearly from one, up to so many with it, as `find` finds them.

    None after Ctrl-C, and none if nothing of the time is left.
    """
    if plans is None:
        return []
    if patience.leaves_no_search:
        report("patience ran out: alternatives are left out")
        return []
    report("looking for plans that differ clearly ...")
    try:
        with interruption.interruptible():
            others = find(plans - 1)
        if len(others) < plans - 1:
            few = len(others) or "none"
            report(f"of {plans - 1} plans that differ in 30 % of the slots {few} found")
        return others
    except KeyboardInterrupt:
        report("interrupted: continuing without alternatives")
        return []
