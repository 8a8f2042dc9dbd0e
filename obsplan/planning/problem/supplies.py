"""What the runs of a plan may use of a platform: its limits, less the margins that are kept."""

from typing import NamedTuple

from obsplan.inputs.hardware import Platform


class Supplies(NamedTuple):
    """Limits that a plan keeps. link: the share of what the link carries that may be sent."""

    bus_w: float
    reserve_wh: float
    end_wh: float
    store_mbit: float
    store_end_mbit: float
    link: float


def supplies_of(platform: Platform) -> Supplies:
    """The limits of a platform with its margins kept.

    The charge at the end is no less than the reserve, and the data left then no more than the store
    may hold.
    """
    battery, store, margins = platform.battery, platform.store, platform.margins
    usable_wh = (1 - battery.reserve) * battery.usable_wh
    above_wh = margins.energy_share * usable_wh
    reserve_wh = battery.reserve * battery.usable_wh + above_wh
    end_wh = (battery.end or 0.0) * battery.usable_wh + above_wh
    store_mbit = (1 - margins.store_share) * store.capacity_mbit
    end_mbit = store_mbit if store.end_limit_mbit is None else store.end_limit_mbit
    return Supplies(
        bus_w=(1 - margins.power_share) * platform.bus_limit_w,
        reserve_wh=reserve_wh,
        end_wh=max(reserve_wh, min(end_wh, battery.usable_wh)),
        store_mbit=store_mbit,
        store_end_mbit=min(end_mbit, store_mbit),
        link=1 - margins.link_share,
    )
