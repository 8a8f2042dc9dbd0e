"""What a rover's arrays yield minute by minute, as it stands where its drives have led it."""

from collections.abc import Sequence

import numpy as np

from obsplan.checking.slots import Run
from obsplan.environment.model import Environment
from obsplan.inputs.placed import DriveActivity


def generated_w(
    environment: Environment, platform: str, runs: Sequence[Run], minutes: int
) -> np.ndarray:
    """Generation (n,) of the first `minutes` of the span; `runs` are those of the platform.

    On the way, and where a drive failed, the rover may be at either end: each minute counts with
    what the arrays yield at the darker one. Before its first drive it stands where that begins.
    """
    drives = [run for run in runs if isinstance(run.activity, DriveActivity)]
    drives.sort(key=lambda run: run.start_min)
    if not drives or not environment.stop_sky:
        return environment.generation_at_w(platform, "")[:minutes]
    legs = [run.activity.leg for run in drives if isinstance(run.activity, DriveActivity)]
    total_w = environment.generation_at_w(platform, legs[0].start)[:minutes].copy()
    for run, leg in zip(drives, legs):
        ends = [
            environment.generation_at_w(platform, end)[:minutes] for end in (leg.start, leg.end)
        ]
        since = min(max(run.first, 0), minutes)
        total_w[since:] = np.minimum(*ends)[since:]
        assert isinstance(run.activity, DriveActivity)
        if run.activity.is_last and run.state != "failed":
            until = min(max(run.last, 0), minutes)
            total_w[until:] = ends[1][until:]
    return total_w
