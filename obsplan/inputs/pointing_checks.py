"""Checks across the tables of a scenario about what platforms point at."""

from collections.abc import Iterator
from typing import Any

from obsplan.common.text import shortened
from obsplan.inputs.error_text import shown

Table = dict[str, Any]


def pointing_errors(
    platforms: list[Table], instruments: list[Table], activities: list[Table]
) -> Iterator[str]:
    """One line for every activity that points, but not as its platform and its contact allow, and
    for arrays that cannot be fixed."""
    for row in platforms:
        yield from _array_errors(row)
    carriers = {row["name"]: row.get("platform") for row in instruments}
    known = {row["name"]: row for row in platforms}
    for row in activities:
        instrument, points = row.get("instrument"), row.get("points")
        name = carriers.get(instrument) if isinstance(instrument, str) else None
        platform = known.get(name) if isinstance(name, str) else None
        if platform is None or not isinstance(points, str):
            continue
        where = f'activity "{shortened(row["name"])}".points = {shown(points)}'
        pointing = platform.get("pointing")
        if pointing is None:
            yield f"{where}: platform {shown(name)} has no [platform.pointing]"
            continue
        radio = platform.get("radio")
        to = radio.get("to", "earth") if isinstance(radio, dict) else points
        is_steered = isinstance(pointing, dict) and pointing.get("antenna") == "steered"
        contact = row.get("contact", "none") != "none" or bool(row.get("first_runs_in_contact"))
        if contact and not is_steered and points != to:
            yield (
                f"{where}: a run that needs contact points at {shown(to)}, as the antenna of "
                f'{shown(name)} is fixed; allowed is {shown(to)}, or pointing.antenna = "steered"'
            )


def _array_errors(platform: Table) -> Iterator[str]:
    pointing = platform.get("pointing")
    if not isinstance(pointing, dict) or pointing.get("arrays") != "fixed":
        return
    where = f'platform "{shortened(platform["name"])}".pointing.arrays = "fixed"'
    if platform.get("kind") in ("lander", "rover"):
        yield f"{where}: only for an orbiter; how arrays on the ground face is a key of each"
    elif pointing.get("antenna") != "steered":
        yield f'{where}: needs antenna = "steered", as it cannot point at Sun and Earth at once'
