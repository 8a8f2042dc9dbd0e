"""What a site offers over a span, as data alone: tables by the minute."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from obsplan.inputs.scenario import Scenario


@dataclass(frozen=True)
class Reading:
    """What telemetry said of a platform when minute `minute` of the span began; None: nothing."""

    minute: int
    stored_wh: float | None = None
    stored_mbit: float | None = None


@dataclass(frozen=True)
class Environment:
    """What the site of a scenario offers over its span.

    scenario: the scenario that it was worked out for.
    sky: one row a minute (UTC index), columns of the sky table (README, tables).
    platforms: per platform, on the same minutes, `generation_w`, `base_load_w` (idle and
        heater), `rate_kbps` (at which it can send), `station` (the one it uses, "" when
        none or through a relay) and `in_contact` (a way to Earth is open).
    contacts: one row a contact of a platform that sends to Earth.
    events: first and last light, eclipses: columns `event`, `time_utc`.
    kernels: names and SHA-256 sums of the ephemeris files.
    out: per instrument that is out at any time, the minutes (n,) in which it is.
    readings: per platform of which telemetry is known, what it said.
    """

    scenario: Scenario
    sky: pd.DataFrame
    platforms: dict[str, pd.DataFrame]
    contacts: pd.DataFrame
    events: pd.DataFrame
    kernels: dict[str, str]
    out: dict[str, np.ndarray] = field(default_factory=dict)
    readings: dict[str, Reading] = field(default_factory=dict)


def span_ends(scenario: Scenario) -> tuple[np.datetime64, np.datetime64]:
    """The span in whole steps, as UTC datetime64[s]."""
    first = np.datetime64(scenario.span.start_utc.replace(tzinfo=None), "s")
    return first, first + np.timedelta64(scenario.steps * scenario.span.step_min * 60, "s")


def wanted_depths_m(scenario: Scenario) -> list[float]:
    """Depths below the surface that the site or a condition names, rising."""
    conditions = {a.when.ground.depth_m for a in scenario.activity if a.when.ground}
    return sorted(conditions | set(scenario.site.depths_m))
