"""What arrays yield minute by minute: where a rover's drives have led it, and which way an orbiter
is turned."""

from collections.abc import Sequence

import numpy as np

from obsplan.checking.pointing_rules import turned_from_sun
from obsplan.checking.slots import Run
from obsplan.environment.model import Environment
from obsplan.environment.rover_telemetry import seen_at
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.pointing import array_direction
from obsplan.inputs.stop import LANDER


def generated_w(
    environment: Environment, platform: str, runs: Sequence[Run], minutes: int
) -> np.ndarray:
    """Generation (n,) of the first `minutes` of the span; `runs` are those of the platform.

    On the way, and where a drive ended short, the rover is between two places: each minute counts
    with what the arrays yield at the darker one. A drive that failed leads nowhere. Where telemetry
    sees it that is not driving, it stands from then on. Fixed arrays of an orbiter yield nothing
    while it points elsewhere than at the Sun.
    """
    total_w = environment.generation_at_w(platform, LANDER)[:minutes]
    known = environment.scenario.platform_named(platform)
    if array_direction(known) is not None:
        return np.where(turned_from_sun(known, runs, minutes), 0.0, total_w)
    if not environment.stop_sky:
        return total_w
    total_w = total_w.copy()

    def at_w(place: str) -> np.ndarray:
        return environment.generation_at_w(platform, place)[:minutes]

    drives = sorted(
        (r for r in runs if isinstance(r.activity, DriveActivity) and r.state != "failed"),
        key=lambda run: run.start_min,
    )
    for run in drives:
        drive = run.activity
        assert isinstance(drive, DriveActivity)
        since, until = (min(max(minute, 0), minutes) for minute in (run.first, run.last))
        total_w[since:] = np.minimum(at_w(drive.leg.start), at_w(drive.leg.end))[since:]
        if drive.is_last and run.state != "shortened":
            total_w[until:] = at_w(drive.leg.end)[until:]
    for seen_utc, place in seen_at(environment, platform):
        seen_min = environment.scenario.minutes_of(seen_utc)
        if not any(run.start_min < seen_min < run.end_min for run in drives):
            until = min((r.first for r in drives if r.start_min >= seen_min), default=minutes)
            stays = slice(int(seen_min), until)
            total_w[stays] = at_w(place)[stays]
    return total_w
