"""The environment of a timeline in which rovers drive: with its drives, in its order."""

from dataclasses import replace

import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.along_routes import followed


def along_drives(environment: Environment, slots: pd.DataFrame) -> Environment:
    """The environment in which rovers drive as the slots say, or as it is if it knows the drives.

    `slots` has at least the columns `activity` and `start_utc`, or is no timeline.
    """
    scenario = environment.scenario
    if not scenario.drive or "activity" not in slots:
        return environment
    drives = set(slots["activity"]) & {drive.name for drive in scenario.drive}
    if drives <= {a.name for a in scenario.activity}:
        return environment
    return replace(environment, scenario=followed(scenario, slots))
