"""What there is to work with: ground stations, platforms and their parts, instruments."""

from typing import Annotated, Literal

from pydantic import Field

from obsplan.inputs.field_types import (
    Azimuth,
    Decibel,
    Efficiency,
    Elevation,
    Latitude,
    Longitude,
    Name,
    NotNegative,
    Number,
    Pause,
    Positive,
    Several,
    Share,
    Utc,
)
from obsplan.inputs.frozen_model import FrozenModel


class Station(FrozenModel):
    """A ground station; `g_over_t_db_k` is needed where a radio works by a link budget.

    It is the figure with the Moon in the beam. With `system_temperature_k` and
    `beam_width_deg` it is the figure towards empty sky instead, and the Moon's noise is
    added. `skyline`, a CSV profile of the terrain around the station, takes the place of
    `mask_deg`. Data flow `set_up_min` after acquisition.
    """

    name: Name
    latitude_deg: Latitude
    longitude_deg: Longitude
    height_m: Annotated[Number, Field(ge=-500, le=9000)] = 0.0
    mask_deg: Annotated[Number, Field(ge=0, le=90)] = 10.0
    skyline: str | None = None
    sun_limit_deg: Annotated[Number, Field(ge=0, le=90)] = 2.0
    set_up_min: Pause = 0
    g_over_t_db_k: Decibel | None = None
    system_temperature_k: Annotated[Number, Field(ge=1, le=100_000)] | None = None
    beam_width_deg: Annotated[Number, Field(ge=0.001, le=180)] | None = None

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude and longitude in degrees, height in metres."""
        return self.latitude_deg, self.longitude_deg, self.height_m


class Array(FrozenModel):
    """A solar array, towards the Sun or fixed by azimuth and tilt (0 looks at the zenith)."""

    area_m2: Positive
    efficiency: Efficiency
    facing: Literal["sun", "fixed"] = "sun"
    azimuth_deg: Azimuth = 0.0
    tilt_deg: Annotated[Number, Field(ge=0, le=180)] = 0.0
    temperature_coefficient_per_k: Annotated[Number, Field(ge=-0.02, le=0)] = -0.0023
    dust_loss: Share = 0.0


class Battery(FrozenModel):
    """The battery; `reserve`, `start` and `end` are states of charge."""

    capacity_wh: Positive
    reserve: Share
    start: Share = 1.0
    end: Share | None = None
    charge_efficiency: Efficiency = 0.95
    discharge_efficiency: Efficiency = 0.95
    charge_limit_w: Positive | None = None


class Heater(FrozenModel):
    """Survival heating: `power_w` while the ground is colder than `below_k`."""

    power_w: NotNegative
    below_k: Annotated[Number, Field(gt=0, le=500)]


class Budget(FrozenModel):
    """A link budget from the transmitter to the required signal at the station."""

    frequency_mhz: Positive
    transmit_dbw: Decibel
    antenna_gain_dbi: Decibel
    losses_db: Annotated[Number, Field(ge=0, le=300)]
    required_ebn0_db: Decibel
    margin_db: Annotated[Number, Field(ge=0, le=300)]
    ceiling_kbps: Positive


class Radio(FrozenModel):
    """The way to Earth, or through another platform; the rate is fixed or by budget.

    Nothing is sent for `handover_min` when another station takes over. A relay reaches no
    further than `range_limit_m`, along the platform's `track`.
    """

    to: Name = "earth"
    transmit_w: NotNegative
    rate_kbps: Positive | None = None
    budget: Budget | None = None
    minimum_elevation_deg: Elevation = 0.0
    handover_min: Pause = 0
    range_limit_m: Positive | None = None


class Store(FrozenModel):
    """Data memory; `end_limit_mbit` is what may still be aboard at the end of the span."""

    capacity_mbit: Positive
    start_mbit: NotNegative = 0.0
    end_limit_mbit: NotNegative | None = None


class Stay(FrozenModel):
    """From this instant to the next stay the platform is so far from its relay, at most."""

    from_utc: Utc
    distance_m: NotNegative


class Platform(FrozenModel):
    """Lander, rover or orbiter: its own arrays, battery, radio and store."""

    name: Name
    kind: Literal["lander", "rover", "orbiter"]
    idle_w: NotNegative
    bus_limit_w: Positive
    one_at_a_time: bool = False
    array: Several[Array] = ()
    battery: Battery
    heater: Heater | None = None
    radio: Radio
    track: Several[Stay] = ()
    store: Store


class Instrument(FrozenModel):
    """A device on a platform; `hazard` puts the usual caution beside its slots."""

    name: Name
    platform: Name
    one_at_a_time: bool = True
    hazard: Literal["none", "laser", "radioactive source", "mechanism", "radio transmitter"] = (
        "none"
    )
