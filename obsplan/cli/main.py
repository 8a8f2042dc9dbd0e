"""The group of all commands, and how their errors are shown."""

from collections.abc import Iterator
from contextlib import contextmanager

import click

from obsplan import __version__
from obsplan.cli.check import check
from obsplan.cli.compare import compare
from obsplan.cli.days import days
from obsplan.cli.futures import futures
from obsplan.cli.keys import keys
from obsplan.cli.link import link
from obsplan.cli.plan import plan
from obsplan.cli.replan import replan
from obsplan.cli.say import say
from obsplan.cli.sites import sites
from obsplan.cli.sky import sky
from obsplan.cli.start import skyline, start
from obsplan.common import interruption
from obsplan.common.errors import ObsplanError
from obsplan.common.text import readable


@contextmanager
def _readable_errors() -> Iterator[None]:
    """Errors of a command line repeat what is in it; control characters are spelled out."""
    try:
        yield
    except click.ClickException as problem:
        vars(problem).update(message=readable(problem.message))
        raise


def _end_interrupted(ctx: click.Context, what: str) -> None:
    say(f"interrupted by {interruption.name()}: {what or interruption.outcome()}", err=True)
    ctx.exit(interruption.exit_code())


class _Commands(click.Group):
    """Lists the commands in the order of the work and prints errors as plain lines."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def make_context(self, *args, **kwargs) -> click.Context:
        with _readable_errors():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: click.Context):
        with interruption.listening():
            try:
                with _readable_errors():
                    return super().invoke(ctx)
            except ObsplanError as problem:
                for line in problem.lines:
                    say(line, err=True)
                ctx.exit(problem.exit_code)
            except KeyboardInterrupt as problem:
                _end_interrupted(ctx, str(problem))
            except Exception:
                # A library may turn the interrupt into an error of its own, without its cause.
                if not interruption.has_raised():
                    raise
                _end_interrupted(ctx, "")


@click.group(cls=_Commands)
@click.version_option(__version__, prog_name="obsplan")
def main() -> None:
    """Plan one lunar day of surface science: Sun, ground, Earth link, power, timeline.

    Every command explains itself with --help and ends with an example. Exit codes: 0 for
    success, 1 if the answer is no (a broken rule, no valid plan, no contact), 2 for bad
    input; 130, 143 or 129 if Ctrl-C, TERM or HUP came before there was a result.
    """


for _command in (
    start,
    keys,
    skyline,
    sky,
    link,
    days,
    sites,
    plan,
    check,
    futures,
    replan,
    compare,
):
    main.add_command(_command)
