"""How long a user waits for a command that searches, writing included."""

from math import inf, isinf
from time import monotonic
from typing import NamedTuple

import click

from obsplan.cli.options import Finite

# Tables and figures of a plan take some seconds.
WRITING_S = 8.0


class Patience(NamedTuple):
    """Until when a command may search, and until when it should have ended, by a clock in s."""

    search_until_s: float
    until_s: float

    @property
    def search_s(self) -> float | None:
        """What is left for the search, in s; None if the user has endless patience."""
        if isinf(self.search_until_s):
            return None
        return max(self.search_until_s - monotonic(), 0.001)

    @property
    def leaves_no_search(self) -> bool:
        """Whether nothing more may be searched for before tables and figures are written."""
        return monotonic() >= self.search_until_s

    @property
    def is_over(self) -> bool:
        """Whether the command should have ended by now."""
        return monotonic() >= self.until_s


def patience_of(seconds: float | None) -> Patience:
    """The patience that begins now; eight seconds are for writing, at most half of it."""
    if seconds is None:
        return Patience(inf, inf)
    until_s = monotonic() + seconds
    return Patience(until_s - min(WRITING_S, seconds / 2), until_s)


PATIENCE = click.option(
    "--patience",
    type=Finite(0, min_open=True),
    metavar="SECONDS",
    callback=lambda context, option, seconds: patience_of(seconds),
    help="End by about this time: search and explanations stop early enough to write tables and "
    "figures. The plan then depends on the machine's speed.",
)
