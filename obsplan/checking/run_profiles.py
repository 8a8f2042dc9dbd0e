"""What the runs of a timeline draw and yield by the minute, as the referee has it."""

import numpy as np

from obsplan.checking.slots import Run


def run_profiles(runs: list[Run], minutes: int) -> tuple[np.ndarray, np.ndarray]:
    """W drawn and Mbit taken per minute by the runs: warm-up first, then the run itself."""
    drawn_w, taken_mbit = np.zeros(minutes), np.zeros(minutes)
    for run in runs:
        activity = run.activity
        warm = run.first + activity.warm_up_min
        marks = (run.first, warm, warm + activity.duration_min)
        first, warm, done = (min(max(min(m, run.last), 0), minutes) for m in marks)
        drawn_w[first:warm] += activity.warm_up_w
        drawn_w[warm:done] += activity.power_w
        if run.state != "failed":
            taken_mbit[warm:done] += activity.data_mbit / activity.duration_min
    return drawn_w, taken_mbit
