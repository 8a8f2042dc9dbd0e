"""The files that a scenario or a list of sites names: they must lie in its folder.

A file from elsewhere may name any file of the machine, and what is wrong with one is told with
its content. Whoever trusts the file may allow names that lead out of its folder: absolute ones,
`..`, and links.
"""

from collections.abc import Iterator
from os.path import realpath
from pathlib import Path
from typing import Any, NamedTuple

from obsplan.common.errors import ScenarioError
from obsplan.common.model_files import files_of
from obsplan.inputs.field_types import file_names
from obsplan.inputs.orbit_checks import orbit_files
from obsplan.inputs.toml_file import read_toml
from obsplan.inputs.unit_checks import table_files

IN_ITS_PLACE = "move the file there, or allow it with --allow-outside (allow_outside=True)"


PROFILE = "a CSV profile beside the scenario"


class NamedFile(NamedTuple):
    """A file that a scenario names, under a key, and what the key allows."""

    key: str
    name: str
    allowed: str


def files_named_in(raw: dict[str, Any]) -> Iterator[NamedFile]:
    """Skylines, ground and hazards, passes, shifts, orbits, tables of hardware.

    Values that are no file names are skipped.
    """
    site, stations = raw.get("site"), raw.get("station")
    if isinstance(site, dict):
        for name in _names(site.get("skyline")):
            if name != "flat":
                allowed = f'{PROFILE}, elevation models or "flat"'
                yield NamedFile("site.skyline", name, allowed)
    for station in stations if isinstance(stations, list | tuple) else ():
        for key, allowed in (
            ("skyline", PROFILE),
            ("passes", "a CSV of passes beside the scenario"),
        ):
            if isinstance(station, dict) and isinstance(station.get(key), str):
                yield NamedFile(f'station "{station.get("name")}".{key}', station[key], allowed)
    teams = raw.get("team")
    for team in teams if isinstance(teams, list | tuple) else ():
        if isinstance(team, dict) and isinstance(team.get("shifts"), str):
            key = f'team "{team.get("name")}".shifts'
            yield NamedFile(key, team["shifts"], "a CSV of shifts beside the scenario")
    yield from _of_places(raw)
    for key, name in orbit_files(raw):
        yield NamedFile(key, name, "an OEM (.oem, .xml) or an SPK file (.bsp) beside the scenario")
    for key, name in table_files(raw):
        yield NamedFile(key, name, "a CSV beside the scenario")


def _of_places(raw: dict[str, Any]) -> Iterator[NamedFile]:
    """Elevation models and hazards of rovers that drive, and skylines of stops."""
    for platform in _rows(raw, "platform"):
        drive = platform.get("drive")
        if not isinstance(drive, dict):
            continue
        where = f'platform "{platform.get("name")}".drive'
        for name in _names(drive.get("ground")):
            if name != "straight":
                yield NamedFile(f"{where}.ground", name, 'elevation models or "straight"')
        if isinstance(drive.get("hazards"), str):
            allowed = "a CSV of hazards beside the scenario"
            yield NamedFile(f"{where}.hazards", drive["hazards"], allowed)
    for stop in _rows(raw, "stop"):
        if isinstance(stop.get("skyline"), str):
            yield NamedFile(f'stop "{stop.get("name")}".skyline', stop["skyline"], PROFILE)


def _rows(raw: dict[str, Any], key: str) -> list[dict[str, Any]]:
    """The tables of a kind; a single one may be written as [key] instead of [[key]]."""
    rows = [raw[key]] if isinstance(raw.get(key), dict) else raw.get(key)
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list | tuple) else []


def files_of_scenario(path: Path) -> list[Path]:
    """The files that a scenario file names, and the images or labels of those.

    The scenario need not be valid; raises ScenarioError if it is no TOML.
    """
    raw, _ = read_toml(path, ScenarioError)
    return [file for named in files_named_in(raw) for file in files_of(path.parent / named.name)]


def _names(value: Any) -> tuple[str, ...]:
    try:
        names = file_names(value)
    except ValueError:
        return ()
    return (names,) if isinstance(names, str) else tuple(names)


def leads_outside(folder: Path, name: str) -> bool:
    """Whether a name, or a file that belongs to it, leads out of a folder; links are followed."""
    inside = Path(realpath(folder))
    try:
        if not Path(realpath(folder / name)).is_relative_to(inside):
            return True
        parts = files_of(folder / name)
        return not all(Path(realpath(part)).is_relative_to(inside) for part in parts)
    except ValueError:  # no file can have this name
        return False
