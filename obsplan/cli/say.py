"""What commands print: lines for people, and data for other programs."""

import re
from collections.abc import Iterable

import click

from obsplan.common.text import readable

COLOUR = re.compile(r"(\x1b\[\d*m)")


def say(line: object, err: bool = False) -> None:
    """Print a line; control characters in the names and values that it repeats are spelled out."""
    click.echo(readable(str(line)), err=err)


def say_coloured(lines: Iterable[str]) -> None:
    """Print lines that are coloured already if they should be."""
    for line in lines:
        parts = COLOUR.split(line)
        parts[::2] = map(readable, parts[::2])
        click.echo("".join(parts), color=True)


def hand_over(data: str) -> None:
    """Print data as they are, for another program to read."""
    click.echo(data, nl=False)
