"""The night that follows a span: from last light to the first light after it."""

import numpy as np
import pandas as pd

from obsplan.environment.model import span_ends
from obsplan.ephemeris import Ephemeris
from obsplan.inputs.scenario import Scenario
from obsplan.physics.sky import sun_events

# A lunation and a half on either side: enough for the night that the end of the span is in, or
# for the next one.
AROUND = np.timedelta64(45, "D")


def night_after(
    scenario: Scenario, ephemeris: Ephemeris, profile: np.ndarray
) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """Last and first light (UTC) of the night that ends next after the span; None if unknown.

    It is unknown near a pole, where the Sun may stay down or up, and near the end of the kernels.
    """
    first, last = span_ends(scenario)
    earliest, latest = (
        np.datetime64(instant.replace(tzinfo=None), "s")
        for instant in (ephemeris.first, ephemeris.last)
    )
    around = max(first - AROUND, earliest), min(last + AROUND, latest)
    events = sun_events(ephemeris, *around, *scenario.landing_site.place, profile)
    ends = [instant for event, instant in events if event == "first light" and instant > last]
    if not ends:
        return None
    begins = [instant for event, instant in events if event == "last light" and instant < ends[0]]
    if not begins:
        return None
    return pd.Timestamp(begins[-1], tz="UTC"), pd.Timestamp(ends[0], tz="UTC")
