"""What arrays yield minute by minute: where a rover's drives have led it, and which way an orbiter
is turned."""

from collections.abc import Sequence

import numpy as np

from obsplan.checking.pointing_rules import turned_from_sun
from obsplan.checking.slots import Run
from obsplan.environment.model import Environment
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.pointing import array_direction
from obsplan.inputs.stop import LANDER


def generated_w(
    environment: Environment, platform: str, runs: Sequence[Run], minutes: int
) -> np.ndarray:
    """Generation (n,) of the first `minutes` of the span; `runs` are those of the platform.

    On the way, and where a drive ended short, the rover is between two places: each minute counts
    with what the arrays yield at the darker one. A drive that failed leads nowhere. Fixed arrays of
    an orbiter yield nothing while it points elsewhere than at the Sun.
    """
    total_w = environment.generation_at_w(platform, LANDER)[:minutes]
    known = environment.scenario.platform_named(platform)
    if array_direction(known) is not None:
        return np.where(turned_from_sun(known, runs, minutes), 0.0, total_w)
    if not environment.stop_sky:
        return total_w
    total_w = total_w.copy()
    for run in sorted(runs, key=lambda run: run.start_min):
        drive = run.activity
        if not isinstance(drive, DriveActivity) or run.state == "failed":
            continue
        start_w, end_w = (
            environment.generation_at_w(platform, place)[:minutes]
            for place in (drive.leg.start, drive.leg.end)
        )
        since, until = (min(max(minute, 0), minutes) for minute in (run.first, run.last))
        total_w[since:] = np.minimum(start_w, end_w)[since:]
        if drive.is_last and run.state != "shortened":
            total_w[until:] = end_w[until:]
    return total_w
