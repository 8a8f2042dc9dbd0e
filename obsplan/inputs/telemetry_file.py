"""The telemetry file: what is known now of platforms, instruments, stations and slots.

It is TOML; `read_state` reads it into these frozen models.
"""

from typing import Annotated

from pydantic import Field

from obsplan.inputs.field_types import Line, Name, Names, NotNegative, Number, Several, Share, Utc
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.outcomes import Outcome
from obsplan.inputs.thermal import Kelvin


class PlatformState(FrozenModel):
    """What telemetry says of a platform."""

    name: Name
    """Name of the platform; it may be there once for each time that was read."""
    at_utc: Utc | None = None
    """When this was read; at_utc of the file if left out."""
    state_of_charge: Share | None = None
    """State of charge when telemetry was read."""
    stored_mbit: NotNegative | None = None
    """Data in the storage when telemetry was read."""
    array_factor: Annotated[Number, Field(ge=0, le=2)] | None = None
    """Measured array output divided by what the scenario predicts, earlier factors left out.

    It applies from the reading on. If it is left out, the factor stays as reported before, or 1."""
    at: Name | None = None
    """Where a rover with stops stands: the name of a stop, or "lander".

    Without this key it stands where its last drive that is done has led. After one that was
    shortened it is between two places, and goes on or back; one that failed has not moved it."""
    odometer_m: NotNegative | None = None
    """Metres driven since landing; a replan tells how far that is from what its drives make."""
    unreachable: Names = ()
    """Stops that a rover can no longer reach; no drive leads there from now on."""


class UnitState(FrozenModel):
    """The measured temperature of a unit of hardware without a thermal table."""

    name: Name
    """Name of the unit; it may be there once for each time that was read."""
    at_utc: Utc | None = None
    """When this was read; at_utc of the file if left out."""
    temperature_k: Kelvin
    """Temperature of the unit then; its heater counts as on if it is below on_below_k."""


class Outage(FrozenModel):
    """An instrument or a station that is out of service."""

    name: Name
    """Name of the instrument or station."""
    from_utc: Utc | None = None
    """Out from this time on; at_utc if left out."""
    until_utc: Utc | None = None
    """Out until this time; for good if left out."""


class Fate(FrozenModel):
    """What became of a slot."""

    slot: Line
    """Id of the slot in timeline.csv; the times must fit it."""
    outcome: Outcome
    """done, shortened (then give end_utc) or failed.

    A failed run does not count; a shortened one is worth its share of the time."""
    start_utc: Utc | None = None
    """True start; as planned if left out."""
    end_utc: Utc | None = None
    """True end; as planned if left out."""
    reason: Line = ""
    """Reason in a few words; it is shown beside the slot."""


class State(FrozenModel):
    """The telemetry file, read by replan and check with --state.

    It says only what is known now; everything else is as planned, or as reported before: a plan
    directory keeps that in reported.toml, a file of the same form.
    """

    at_utc: Utc | None = None
    """When telemetry was read; --now if left out."""
    platform: Several[PlatformState] = ()
    """What telemetry says of platforms, each begun with [[platform]]."""
    unit: Several[UnitState] = ()
    """Measured temperatures of units of hardware, each begun with [[unit]]."""
    instrument: Several[Outage] = ()
    """Instruments that are out of service, each begun with [[instrument]]."""
    station: Several[Outage] = ()
    """Stations that are out of service; another serves instead if it can."""
    slot: Several[Fate] = ()
    """What became of slots, each begun with [[slot]]."""
