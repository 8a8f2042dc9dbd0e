"""Errors that obsplan raises on purpose.

Every exception carries one or more complete lines for the user and the exit code of
the command: 2 for input that cannot be used, 1 for a scenario that no plan can meet.
"""

from obsplan.common.text import readable

# More lines than anybody reads before mending the first; a table stops at fifty of its own.
MOST_LINES = 60


class ObsplanError(Exception):
    """Base of the errors obsplan raises on purpose; `str()` is what the user reads.

    Each argument is one line. Control characters in it, line breaks too, are spelled out, and a
    very long one is cut: whatever a file or a command line contains, no message escapes this. Of
    very many lines the first are shown.
    """

    exit_code = 2

    def __init__(self, *lines: str):
        super().__init__(*map(readable, lines))

    def __str__(self) -> str:
        return "\n".join(self.lines)

    @property
    def lines(self) -> list[str]:
        """What is told, line by line."""
        more = len(self.args) - MOST_LINES
        return [*self.args[:MOST_LINES], f"... and {more} more"] if more > 0 else list(self.args)


class ScenarioError(ObsplanError, ValueError):
    """The scenario file, or a file it names, cannot be used as it is."""


class EphemerisError(ObsplanError, ValueError):
    """A kernel is missing or damaged, or does not cover the requested dates."""


class TableError(ObsplanError, ValueError):
    """A CSV file cannot be read as the table it should be; the row is named."""


class StateError(ObsplanError, ValueError):
    """The reported state is impossible or contradicts the timeline."""


class Infeasible(ObsplanError, RuntimeError):
    """No valid plan was found for the scenario; the message says why."""

    exit_code = 1
