"""The hardware in a scenario: ground stations, platforms and their parts, instruments."""

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
from obsplan.inputs.margins import Margins
from obsplan.inputs.orbit import Orbit
from obsplan.inputs.pointing import Pointing
from obsplan.inputs.stop import Drive, Parking
from obsplan.inputs.thermal import Unit


class Station(FrozenModel):
    """A ground station."""

    name: Name
    """Name of the station."""
    latitude_deg: Latitude
    """Geodetic latitude, north positive."""
    longitude_deg: Longitude
    """Longitude, east positive."""
    height_m: Annotated[Number, Field(ge=-500, le=9000)] = 0.0
    """Height above the Earth ellipsoid."""
    mask_deg: Annotated[Number, Field(ge=0, le=90)] = 10.0
    """Lowest elevation of the Moon at which the station can work, the same in all directions.

    10 deg is common practice, no source."""
    skyline: str | None = None
    """Terrain around the station, used instead of mask_deg.

    The name of a CSV beside the scenario with the columns azimuth_deg, elevation_deg."""
    passes: str | None = None
    """Booked passes: only time that is booked and visible counts as contact.

    The name of a CSV beside the scenario with the columns station, acquisition_utc, loss_utc and,
    if passes are booked for one platform, platform; contacts.csv, edited, serves. Without this key
    all visible time counts, as it does on other days and at other sites."""
    sun_limit_deg: Annotated[Number, Field(ge=0, le=90)] = 2.0
    """Smallest angle between Sun and Moon in the station's sky at which the link works."""
    set_up_min: Pause = 0
    """Time from acquisition until data flow; the contact counts only from then on."""
    g_over_t_db_k: Decibel | None = None
    """Figure of merit G/T with the Moon in the beam; needed if a radio has a link budget.

    With system_temperature_k and beam_width_deg it is the figure towards empty sky instead."""
    system_temperature_k: Annotated[Number, Field(ge=1, le=100_000)] | None = None
    """System noise temperature towards empty sky; give it together with beam_width_deg.

    The Moon then adds 240 K times the share of the beam that its disc fills."""
    beam_width_deg: Annotated[Number, Field(ge=0.001, le=180)] | None = None
    """Full beam width at half power; give it together with system_temperature_k."""

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude and longitude in degrees, height in metres."""
        return self.latitude_deg, self.longitude_deg, self.height_m


class Array(FrozenModel):
    """A solar array that follows the Sun or is fixed."""

    area_m2: Positive
    """Cell area."""
    efficiency: Efficiency
    """Efficiency of the whole chain from sunlight to the bus, with the cells at 28 degrees C."""
    facing: Literal["sun", "fixed"] = "sun"
    """"sun" for an array that follows the Sun, "fixed" for one with azimuth_deg and tilt_deg.

    That of an orbiter follows the Sun."""
    azimuth_deg: Azimuth = 0.0
    """Direction that a fixed array faces, from north through east."""
    tilt_deg: Annotated[Number, Field(ge=0, le=180)] = 0.0
    """Tilt of a fixed array: 0 faces the zenith, 90 the skyline."""
    temperature_coefficient_per_k: Annotated[Number, Field(ge=-0.02, le=0)] = -0.0023
    """Relative change of efficiency per kelvin of cell temperature above 28 degrees C.

    The default is that of triple-junction cells, from current and voltage coefficients of a data
    sheet, as quoted by others."""
    dust_loss: Share = 0.0
    """Share of the sunlight that dust blocks; 0.02 to 0.1 after touchdown is common practice, no
    source."""
    shadow: str | None = None
    """A CSV beside the scenario: output factor of the array in the shadow of its own platform.

    Columns: sun_azimuth_deg, sun_elevation_deg, factor (0 in full shadow, 1 in none); a row for
    every pair of the azimuths and elevations in it. Between them it is a straight line."""


class Battery(FrozenModel):
    """The battery of a platform.

    The keys reserve, start and end are states of charge from 0 to 1.
    """

    capacity_wh: Positive
    """Energy in the full battery."""
    reserve: Share
    """State of charge that the plan never goes below; 0.3 to 0.4 is common practice, no source."""
    start: Share = 1.0
    """State of charge at the start of the span; not below the reserve."""
    end: Share | None = None
    """Lowest state of charge allowed at the end of the span; not below the reserve."""
    charge_efficiency: Efficiency = 0.95
    """Share of the charging energy that reaches the battery; 0.95 is common practice, no source."""
    discharge_efficiency: Efficiency = 0.95
    """Share of the energy taken from the battery that reaches the bus.

    0.95 is common practice, no source."""
    charge_limit_w: Positive | None = None
    """Highest charging power; power that the battery does not take is lost (spilled_wh)."""
    taper_above: Annotated[Number, Field(ge=0.5, le=0.99)] | None = None
    """State of charge above which charging power falls to zero at full; needs charge_limit_w.

    It falls on a straight line; 0.8 to 0.9 is common practice, no source."""
    discharge_limit_w: Positive | None = None
    """Highest power that the battery delivers to the bus, on top of what the arrays yield."""
    fade: Annotated[Number, Field(ge=0, le=0.9)] = 0.0
    """Share of capacity_wh that is lost by age and cycles; states of charge are of what is left."""

    @property
    def usable_wh(self) -> float:
        """Energy in the full battery as it is now."""
        return self.capacity_wh * (1 - self.fade)


class Heater(FrozenModel):
    """A survival heater that follows the ground temperature."""

    power_w: NotNegative
    """Heater power while it is on; it is added to idle_w."""
    below_k: Annotated[Number, Field(gt=0, le=500)]
    """The heater is on while the surface is colder than this."""


class Budget(FrozenModel):
    """A link budget from the transmitter to the station.

    The rate is the highest that keeps the required Eb/N0 plus the margin. Free-space loss
    follows ITU-R P.525; stations need g_over_t_db_k.
    """

    frequency_mhz: Positive
    """Carrier frequency."""
    transmit_dbw: Decibel
    """Transmitter output power."""
    antenna_gain_dbi: Decibel
    """Gain of the platform's antenna towards the Earth."""
    losses_db: Annotated[Number, Field(ge=0, le=300)]
    """Sum of all losses other than free-space loss: cables, pointing, polarisation, atmosphere."""
    required_ebn0_db: Decibel
    """Energy per bit over noise density that the receiver needs."""
    margin_db: Annotated[Number, Field(ge=0, le=300)]
    """Link margin kept at all times."""
    ceiling_kbps: Positive
    """Highest bit rate of the transmitter."""


class Radio(FrozenModel):
    """The radio of a platform: to Earth or through a relay.

    Give either rate_kbps or a budget. A relay at the site needs rate_kbps.
    """

    to: Name = "earth"
    """"earth", or the name of the platform that receives the data and relays it to Earth.

    Contact and commands then count end to end, while the relay has contact with Earth; data wait in
    its storage until then. A relay in orbit is in reach while it is above the skyline."""
    transmit_w: NotNegative
    """Electrical power while sending, in addition to idle_w."""
    rate_kbps: Positive | None = None
    """Fixed data rate while in contact."""
    budget: Budget | None = None
    """Link budget from which the data rate follows: to Earth, or to a relay in orbit."""
    receive_g_over_t_db_k: Decibel | None = None
    """Figure of merit G/T of an orbiter's receiver; needed if a radio with a budget sends to it."""
    minimum_elevation_deg: Elevation = 0.0
    """Lowest elevation of the Earth at the site for a contact; the skyline applies as well.

    For an orbiter above the Moon's limb. For a radio to a relay in orbit the lowest elevation of
    that."""
    handover_min: Pause = 0
    """Nothing is sent for this long when another station takes over; 0 for a relay.

    The link changes stations when a contact ends, or when another station is faster by a tenth and
    makes up for the pause."""
    range_limit_m: Positive | None = None
    """Longest distance at which the relay can be reached; needs the platform's track."""


class Store(FrozenModel):
    """The data storage of a platform."""

    capacity_mbit: Positive
    """Amount of data that fits into the storage."""
    start_mbit: NotNegative = 0.0
    """Data stored at the start of the span."""
    end_limit_mbit: NotNegative | None = None
    """Largest amount of data that may still be stored at the end of the span."""


class Stay(FrozenModel):
    """Distance of a platform from its relay over time.

    Each entry applies until the next one. It is usually written in braces: track = [{ from_utc =
    2028-07-02T00:00:00Z, distance_m = 20.0 }, { from_utc = 2028-07-05T12:00:00Z, distance_m =
    450.0 }].
    """

    from_utc: Utc
    """From this time on; the first entry must not be after the start of the span."""
    distance_m: NotNegative
    """Largest distance from the relay until the next entry."""


class Platform(FrozenModel):
    """A lander, rover or orbiter: its arrays, battery, radio, storage."""

    name: Name
    """Name of the platform; "earth" is not allowed."""
    kind: Literal["lander", "rover", "orbiter"]
    """What the platform is. An orbiter needs an orbit; landers and rovers have the site's sky."""
    orbit: Orbit | None = None
    """The orbit of an orbiter about the Moon; not allowed for others."""
    idle_w: NotNegative
    """Power that the platform always draws: computer, receiver, thermal control."""
    night_w: NotNegative | None = None
    """Power drawn through the night after the plan, heaters included.

    It tells how long the battery lasts then. Without this key: idle_w and all heaters at full
    power; heaters in a thermal table are left out."""
    bus_limit_w: Positive
    """Highest power on the bus at any time: idle, heater, sending and all instruments.

    On the bus a slot counts with its highest power in each step, in the battery with its mean."""
    one_at_a_time: bool = False
    """true if only one slot may run on the whole platform at a time."""
    array: Several[Array] = ()
    """Solar arrays; none if the platform runs on its battery alone."""
    battery: Battery
    """The battery."""
    heater: Heater | None = None
    """A survival heater that follows the ground; the simple form of a unit with a thermostat.

    Not allowed for an orbiter."""
    unit: Several[Unit] = ()
    """Units of hardware whose temperature counts, each begun with [[platform.unit]]."""
    radio: Radio
    """The radio: to Earth or through another platform."""
    track: Several[Stay] = ()
    """Distances from the relay over time; for radio.range_limit_m of a platform without stops."""
    drive: Drive | None = None
    """How the rover drives between its stops, as a table [platform.drive]."""
    parking: Parking = Parking()
    """Where the rover has to be at the end, as a table [platform.parking]."""
    pointing: Pointing | None = None
    """Whether the platform points at one thing at a time; without this table it need not turn."""
    store: Store
    """The data storage."""
    margins: Margins = Margins()
    """Margins of this platform; a key that is left out is that of [margins]."""

    @property
    def flies(self) -> bool:
        """Whether it is in orbit, with a sky of its own, and not at the site."""
        return self.orbit is not None


class Instrument(FrozenModel):
    """A device on a platform."""

    name: Name
    """Name of the instrument."""
    platform: Name
    """Name of the platform that carries it."""
    one_at_a_time: bool = True
    """true if the instrument runs one slot at a time."""
    hazard: Literal["none", "laser", "radioactive source", "mechanism", "radio transmitter"] = (
        "none"
    )
    """What can hurt people or hardware; the output then shows the usual caution."""
