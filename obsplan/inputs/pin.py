"""A run that must start at a certain time."""

from obsplan.inputs.field_types import Name, Utc
from obsplan.inputs.frozen_model import FrozenModel


class Pin(FrozenModel):
    """A run that must start at a certain time, with all rules kept.

    It is one of the runs that its activity requests, and everything else is planned around it, also
    what must come before it. A replan keeps the pins that are still ahead. On another lunar day, or
    at another site, nothing is pinned.
    """

    activity: Name
    """Name of the activity."""
    start_utc: Utc
    """Start of the slot, warm-up included; on the time grid of the plan."""
