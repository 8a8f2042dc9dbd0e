"""What a rover's arrays yield minute by minute, as it stands where its drives have led it."""

from collections.abc import Sequence

import numpy as np

from obsplan.checking.slots import Run
from obsplan.environment.model import Environment
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.stop import LANDER


def generated_w(
    environment: Environment, platform: str, runs: Sequence[Run], minutes: int
) -> np.ndarray:
    """Generation (n,) of the first `minutes` of the span; `runs` are those of the platform.

    On the way, and where a drive ended short, the rover is between two places: each minute counts
    with what the arrays yield at the darker one. A drive that failed leads nowhere.
    """
    total_w = environment.generation_at_w(platform, LANDER)[:minutes]
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
