"""The passes of relays in orbit over those that send through them."""

import numpy as np
import pandas as pd

from obsplan.common.intervals import from_mask
from obsplan.environment.contact_columns import RELAY_PASS_COLUMNS
from obsplan.environment.model import Environment


def has_orbit_relay(environment: Environment) -> bool:
    """Whether any platform sends through one in orbit."""
    flying = {platform.name for platform in environment.scenario.platform if platform.flies}
    return any(platform.radio.to in flying for platform in environment.scenario.platform)


def relay_passes(environment: Environment) -> pd.DataFrame:
    """One row for each unbroken stretch of minutes in which a platform can send to its relay in
    orbit: the columns `RELAY_PASS_COLUMNS`, in order of time."""
    flying = {platform.name for platform in environment.scenario.platform if platform.flies}
    rows = []
    for platform in environment.scenario.platform:
        if platform.radio.to not in flying:
            continue
        table = environment.platforms[platform.name]
        rate_kbps = table["rate_kbps"].to_numpy(dtype=float)
        in_contact = environment.in_contact(platform.name)
        for start, end in from_mask(rate_kbps > 0).tolist():
            rows.append(
                (
                    platform.name,
                    platform.radio.to,
                    table.index[start],
                    table.index[start] + pd.Timedelta(minutes=end - start),
                    end - start,
                    rate_kbps[start:end].mean(),
                    rate_kbps[start:end].sum() * 60 / 1000,
                    int(np.count_nonzero(in_contact[start:end])),
                )
            )
    passes = pd.DataFrame(rows, columns=RELAY_PASS_COLUMNS)
    return passes.sort_values(["from_utc", "platform"], kind="stable", ignore_index=True)
