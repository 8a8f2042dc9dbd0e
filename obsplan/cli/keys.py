"""The command that explains the keys of files."""

from textwrap import wrap

import click

from obsplan.cli.options import example
from obsplan.cli.paths import command
from obsplan.cli.say import say

WIDTH = 88
INDENT = "    "
FILES = "files"


@command(epilog=example("obsplan keys", "obsplan keys platform.battery"))
@click.argument("part", required=False)
def keys(part: str | None) -> None:
    """Explain the keys of scenario and telemetry file, and the columns of tables.

    Without PART it lists the parts, one line each. With PART, such as site,
    platform.battery, activity.when, telemetry or timeline, it prints each key with its unit,
    default, allowed values and meaning. The parts contacts and days explain the columns of
    those tables; the part files lists the files of a plan directory.
    """
    from obsplan.common.errors import ObsplanError
    from obsplan.inputs.key_reference import parts
    from obsplan.reporting.table_reference import table_parts

    known = parts() | table_parts()
    if part is None:
        lines = _overview(known)
    elif part == FILES:
        lines = _files()
    elif part in known:
        lines = _described(known[part])
    else:
        raise ObsplanError(_unknown(part, known))
    for line in lines:
        say(line)


def _overview(known) -> list[str]:
    wide = max(map(len, [*known, FILES]))
    lines = ["`obsplan keys PART` explains the keys of a part. The parts are:", ""]
    lines += [f"{part.name:<{wide}}  {part.summary}" for part in known.values()]
    return [*lines, f"{FILES:<{wide}}  The files of a plan directory."]


def _files() -> list[str]:
    from obsplan.common.whole_directory import SUMS, SUMS_HOLDS
    from obsplan.reporting.plan_directory import FILES as known

    lines = [
        "Files of a plan directory, written by obsplan plan and obsplan replan. In tables, an",
        "apostrophe before =, +, - or @ keeps a spreadsheet from running a name as a formula.",
        "",
    ]
    files = [(name, file.when, file.holds) for name, file in known.items()]
    for name, when, holds in (*files, (SUMS, "always", SUMS_HOLDS)):
        lines.append(name if when == "always" else f"{name}  ({when})")
        lines += [INDENT + words for words in wrap(holds, WIDTH - len(INDENT))]
    return lines


def _described(part) -> list[str]:
    head = ("key", "unit", "default", "allowed")
    rows = [key[:4] for key in part.keys]
    wide = [max(len(row[k]) for row in [head, *rows]) for k in range(3)]

    def laid_out(row: tuple[str, ...]) -> list[str]:
        left = "  ".join([*(f"{cell:<{width}}" for cell, width in zip(row, wide)), ""])
        first, *rest = wrap(row[3], max(WIDTH - len(left), 20)) or [""]
        return [(left + first).rstrip(), *(" " * len(left) + words for words in rest)]

    lines = [part.heading, "", *wrap(part.description, WIDTH), "", *laid_out(head)]
    for key, row in zip(part.keys, rows):
        lines += laid_out(row)
        text = wrap(key.description, WIDTH - len(INDENT), break_on_hyphens=False)
        lines += [INDENT + words for words in text]
    return lines


def _unknown(name: str, known) -> str:
    from obsplan.common.text import did_you_mean

    holders = [part.name for part in known.values() if name in {key.name for key in part.keys}]
    nested = [part for part in known if part.endswith(f".{name}")]
    if nested:
        return f"'{name}': this part is called {nested[0]}; see: obsplan keys {nested[0]}"
    part, _, key = name.rpartition(".")
    if part in known and key in {each.name for each in known[part].keys}:
        return f"'{name}': not a part but a key; it is explained by: obsplan keys {part}"
    if holders:
        return f"'{name}': not a part but a key; it is explained by: obsplan keys {holders[0]}"
    return f"'{name}': no such part; {did_you_mean(name, [*known, FILES])}"
