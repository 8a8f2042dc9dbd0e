"""Checks of platforms in orbit, as parsed: what an orbiter needs and what it cannot have.

Values of an unexpected type are skipped here: the models report them.
"""

from collections.abc import Iterator
from typing import Any

from obsplan.common.text import shortened

Table = dict[str, Any]
NO_ATTITUDE = 'how an orbiter is turned is not computed; its arrays follow the Sun, facing = "sun"'


def orbit_errors(platforms: list[Table], site: Any) -> Iterator[str]:
    """One line for every contradiction between kind, orbit and the rest of a platform."""
    for platform in platforms:
        where, orbit = _where(platform), platform.get("orbit")
        if platform.get("kind") == "orbiter" and orbit is None:
            yield f"{where}.orbit: required, because its kind is orbiter"
        elif orbit is not None and platform.get("kind") in ("lander", "rover"):
            yield f"{where}.orbit: not allowed, because its kind is {platform['kind']}"
        if isinstance(orbit, dict):
            yield from _target_errors(f"{where}.orbit", orbit)
        if platform.get("kind") == "orbiter":
            yield from _ground_errors(where, platform)
    for platform in platforms:
        radio = platform.get("radio")
        to = radio.get("to", "earth") if isinstance(radio, dict) else "earth"
        if platform.get("kind") == "orbiter" and to != "earth":
            yield f'{_where(platform)}.radio.to = {to!r}: an orbiter sends to "earth" itself'
    landed = [p["name"] for p in platforms if p.get("kind") in ("lander", "rover")]
    if site is None and landed:
        yield f'site: required, because platform "{shortened(landed[0])}" is on the ground'


def _target_errors(where: str, orbit: Table) -> Iterator[str]:
    if not isinstance(orbit.get("file"), str):
        return
    is_spk = orbit["file"].lower().endswith(".bsp")
    if is_spk and orbit.get("target") is None:
        yield f"{where}.target: required with an SPK file, the NAIF number of the spacecraft"
    if not is_spk and orbit.get("target") is not None:
        yield f"{where}.target: only allowed with an SPK file (.bsp)"


def _ground_errors(where: str, platform: Table) -> Iterator[str]:
    """What only platforms on the ground may have."""
    for key in ("heater", "track", "drive", "parking"):
        if platform.get(key):
            yield f"{where}.{key}: not allowed for an orbiter"
    for array in _tables(platform.get("array")):
        if array.get("facing") == "fixed" or array.get("shadow") is not None:
            yield f"{where}.array: {NO_ATTITUDE}, without a shadow table"
    for unit in _tables(platform.get("unit")):
        if unit.get("ground_w_k"):
            name = shortened(str(unit.get("name")))
            yield f'{where}.unit "{name}".ground_w_k: not allowed for an orbiter'


def _tables(value: Any) -> list[Table]:
    rows = value if isinstance(value, list | tuple) else [value]
    return [row for row in rows if isinstance(row, dict)]


def _where(platform: Table) -> str:
    return f'platform "{shortened(platform["name"])}"'


def orbit_files(raw: Table) -> Iterator[tuple[str, str]]:
    """Key and file name of every orbit of a scenario as parsed."""
    for platform in _tables(raw.get("platform")):
        orbit = platform.get("orbit")
        file = orbit.get("file") if isinstance(orbit, dict) else None
        if isinstance(platform.get("name"), str) and isinstance(file, str):
            yield f"{_where(platform)}.orbit.file", file
