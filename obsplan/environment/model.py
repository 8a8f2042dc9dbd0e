"""The environment of a scenario over its span, as data alone: tables by the minute."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from obsplan.environment.orbiter_columns import HIDDEN_COLUMNS
from obsplan.inputs.activity import Activity
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.telemetry_file import State
from obsplan.physics.unit_temperature import Readings


@dataclass(frozen=True)
class Reading:
    """A platform's telemetry at the start of minute `minute` of the span; None: not reported."""

    minute: int
    stored_wh: float | None = None
    stored_mbit: float | None = None


GENERATION = "generation_w"
UNSEEN_COLUMNS = ("platform", "station", "from_utc", "until_utc")


@dataclass(frozen=True)
class Environment:
    """Sun, Earth, ground, power and contacts of a scenario's platforms, minute by minute.

    scenario: the scenario it was computed for.
    sky: one row a minute (UTC index), columns of the sky table (README, tables).
    platforms: per platform, on the same minutes, `generation_w` (at the site; at a stop with a
        skyline of its own in `generation_column`), `base_load_w` (idle and heaters), `rate_kbps`
        (at which it can send), `station` (the one it uses, "" if none or through a relay) and
        `in_contact` (it can reach Earth), `in_reach` (the stations that could serve it, as a tuple;
        without it the one it uses); in other minutes `unbooked_kbps` and
        `unbooked_station`: the fastest station that could be booked. If it has units:
        `unit_heater_w` (the part of `base_load_w` that their heaters draw), and for each node its
        temperature, as in `NAME_k`; both while nothing runs.
    skies: per platform in orbit the same kind of table, see `obsplan keys orbiter`. In a scenario
        without a site `sky` is that of the first.
    contacts: one row per contact of a platform that sends to Earth.
    events: first and last light, eclipses at the site: columns `event`, `time_utc`.
    occultations: when Moon or Earth hide Earth or Sun from a platform in orbit, a row each:
        columns `platform`, `body`, `behind`, `hidden` ("any part", "whole disc"), `from_utc`,
        `until_utc`, `duration_s`.
    kernels: names and SHA-256 sums of the ephemeris files.
    out: per instrument that is ever out of service, the minutes (n,) in which it is.
    user_windows: per activity that was given windows (see `with_windows`), the minutes (n,)
        in which its slots may be.
    user_rules: per name, the function that checks a user-defined rule (see `with_rule`).
    readings: per platform with known telemetry, its readings in order of time.
    unit_readings: per unit whose temperature was measured, the minutes and temperatures in kelvin.
    unseen: booked time that does not count because the station does not see the platform then:
        columns `platform`, `station`, `from_utc`, `until_utc`.
    night: last and first light of the night that ends next after the span; None if not known.
    shifts: per team that is not always on console, the windows (k, 2) datetime64[s], UTC, in which
        it is.
    stop_sky: per stop with a skyline of its own, the columns of the sky table that differ there.
    telemetry: what was reported, if anything was; all above includes it (see `with_telemetry`).
    """

    scenario: Scenario
    sky: pd.DataFrame
    platforms: dict[str, pd.DataFrame]
    contacts: pd.DataFrame
    events: pd.DataFrame
    kernels: dict[str, str]
    out: dict[str, np.ndarray] = field(default_factory=dict)
    readings: dict[str, tuple[Reading, ...]] = field(default_factory=dict)
    unit_readings: dict[str, Readings] = field(default_factory=dict)
    user_windows: dict[str, np.ndarray] = field(default_factory=dict)
    user_rules: dict[str, Callable] = field(default_factory=dict)
    unseen: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=UNSEEN_COLUMNS))
    night: tuple[pd.Timestamp, pd.Timestamp] | None = None
    shifts: dict[str, np.ndarray] = field(default_factory=dict)
    stop_sky: dict[str, pd.DataFrame] = field(default_factory=dict)
    telemetry: State | None = None
    skies: dict[str, pd.DataFrame] = field(default_factory=dict)
    occultations: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=HIDDEN_COLUMNS))

    def sky_of(self, platform: str) -> pd.DataFrame:
        """The sky table of a platform: its own in orbit, else the site's."""
        return self.skies.get(platform, self.sky)

    def sky_at(self, stop: str) -> pd.DataFrame:
        """The sky table at a stop, which is that of the site if it has no skyline of its own."""
        return self.sky.assign(**self.stop_sky[stop]) if stop in self.stop_sky else self.sky

    def skies_of(self, activity: Activity) -> dict[str, pd.DataFrame]:
        """The sky tables under which a run is: one, but for drives that of either end.

        By the name of the stop; "" is that of its platform elsewhere.
        """
        places = [""]
        if isinstance(activity, PlacedActivity):
            places = [activity.stop]
        if isinstance(activity, DriveActivity):
            places = [activity.leg.start, activity.leg.end]
        names = dict.fromkeys(place if place in self.stop_sky else "" for place in places)
        elsewhere = self.sky_of(self.scenario.platform_of(activity))
        return {name: self.sky_at(name) if name else elsewhere for name in names}

    def generation_at_w(self, platform: str, stop: str) -> np.ndarray:
        """What the arrays of a platform yield at a stop, by the minute (n,)."""
        table = self.platforms[platform]
        column = generation_column(stop)
        return table[column if column in table else GENERATION].to_numpy(dtype=float)

    def read_until(self, platform: str) -> int:
        """The minute of the platform's last reading, 0 if there is none."""
        return max((reading.minute for reading in self.readings.get(platform, ())), default=0)

    def measured_until(self, unit: str) -> int:
        """The minute in which the unit's temperature was last measured, 0 if it never was."""
        return max((minute for minute, _ in self.unit_readings.get(unit, ())), default=0)

    def in_contact(self, platform: str) -> np.ndarray:
        """Minutes (n,) in which the platform can reach Earth, itself or through its relay."""
        return self.platforms[platform]["in_contact"].to_numpy(dtype=bool)


def generation_column(stop: str) -> str:
    """The column of a rover's table with its generation at a stop with a skyline of its own."""
    return f"{GENERATION} at {stop}"


def times_generation(table: pd.DataFrame, factor: np.ndarray | float) -> dict[str, np.ndarray]:
    """The generation of a platform at all places times a factor, or factors (n,), as columns."""
    columns = [name for name in table if name == GENERATION or name.startswith(f"{GENERATION} at ")]
    return {name: table[name].to_numpy(dtype=float) * factor for name in columns}


def span_ends(scenario: Scenario) -> tuple[np.datetime64, np.datetime64]:
    """The span in whole steps, as UTC datetime64[s]."""
    first = np.datetime64(scenario.span.start_utc.replace(tzinfo=None), "s")
    return first, first + np.timedelta64(scenario.steps * scenario.span.step_min * 60, "s")


def wanted_depths_m(scenario: Scenario) -> list[float]:
    """Depths below the surface that the site or a condition names, rising."""
    conditions = {a.when.ground.depth_m for a in scenario.activity if a.when.ground}
    return sorted(conditions | set(scenario.site.depths_m if scenario.site else ()))
