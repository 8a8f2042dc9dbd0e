"""A platform that points at one thing at a time, and needs time to turn."""

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from obsplan.inputs.frozen_model import FrozenModel

if TYPE_CHECKING:
    from obsplan.inputs.activity import Activity
    from obsplan.inputs.hardware import Platform
    from obsplan.inputs.scenario import Scenario


class Pointing(FrozenModel):
    """The platform points at one thing at a time and turns between them.

    Of two runs that point at different things the later one starts at least slew_min after the
    earlier one has ended.
    """

    slew_min: Annotated[int, Field(ge=0, le=600)]
    """Time to turn from one thing to another."""
    antenna: Literal["fixed", "steered"] = "fixed"
    """"fixed" if the platform must point at the receiver to send, "steered" if the antenna turns.

    With a fixed antenna nothing is sent while a run points elsewhere, nor slew_min before and after
    it, and a run that needs contact points at the receiver, also one of a platform that is
    relayed. Commands arrive whichever way it
    points, through a low-gain antenna; that is common practice, no source."""
    arrays: Literal["steered", "fixed"] = "steered"
    """"steered" if the arrays follow the Sun, "fixed" if an orbiter must point at it.

    With fixed arrays nothing is generated while a run points elsewhere than at "sun", nor slew_min
    before and after it; at other times the orbiter points at the Sun. The antenna must be
    steered."""


def antenna_direction(platform: "Platform") -> str | None:
    """What the platform must point at to send; None if it need not point at anything."""
    if platform.pointing is None or platform.pointing.antenna == "steered":
        return None
    return platform.radio.to


def array_direction(platform: "Platform") -> str | None:
    """What the platform must point at for its arrays to yield; None if they turn by themselves."""
    return "sun" if platform.pointing and platform.pointing.arrays == "fixed" else None


def direction_of(platform: "Platform", activity: "Activity") -> str | None:
    """What the platform points at during a run of the activity; None if it does not matter."""
    if activity.points is not None:
        return activity.points
    return antenna_direction(platform) if _needs_contact(activity) else None


def directions_of(scenario: "Scenario", activity: "Activity") -> dict[str, str]:
    """What each platform points at during a run of the activity, by name; others are free.

    That is the activity's own platform, and if the run needs contact through a relay that too.
    """
    name = scenario.platform_of(activity)
    relay = scenario.platform_named(scenario.outlet_of(name))
    own = direction_of(scenario.platform_named(name), activity)
    onward = antenna_direction(relay) if _needs_contact(activity) else None
    found = {relay.name: onward} if relay.name != name and onward else {}
    return found | ({name: own} if own else {})


def _needs_contact(activity: "Activity") -> bool:
    return activity.contact != "none" or activity.first_runs_in_contact > 0
