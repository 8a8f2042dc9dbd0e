"""The limits of a platform that a replay keeps: those of the hardware, or less by the margins."""

from math import inf
from typing import NamedTuple

from obsplan.inputs.hardware import Platform


class Limits(NamedTuple):
    """What a platform may use. link: the share of what its link carries.

    end_wh is -inf and end_mbit inf if nothing is required at the end of the span.
    """

    bus_w: float
    reserve_wh: float
    end_wh: float
    store_mbit: float
    end_mbit: float
    link: float


def limits_of(platform: Platform, keep_margins: bool) -> Limits:
    """The limits of a platform, with its margins kept or not."""
    battery, store, margins = platform.battery, platform.store, platform.margins
    full_wh = battery.usable_wh
    whole = Limits(
        platform.bus_limit_w,
        battery.reserve * full_wh,
        -inf if battery.end is None else battery.end * full_wh,
        store.capacity_mbit,
        inf if store.end_limit_mbit is None else store.end_limit_mbit,
        1.0,
    )
    if not keep_margins:
        return whole
    margin_wh = margins.energy_share * (full_wh - whole.reserve_wh)
    return Limits(
        whole.bus_w * (1 - margins.power_share),
        whole.reserve_wh + margin_wh,
        min(whole.end_wh + margin_wh, full_wh),
        whole.store_mbit * (1 - margins.store_share),
        whole.end_mbit,
        1 - margins.link_share,
    )
