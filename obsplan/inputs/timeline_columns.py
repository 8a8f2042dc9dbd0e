"""The columns of timeline.csv in their order: one table for all who write, read or explain it."""

from typing import NamedTuple

from obsplan.inputs.outcomes import STATES


class Column(NamedTuple):
    """A column of a table; `unit` is empty for names, words, instants, and if the name has it."""

    name: str
    unit: str
    meaning: str


TIMELINE = (
    Column("slot", "", "id of the slot, used in telemetry and as-run files"),
    Column("platform", "", "platform that carries the instrument"),
    Column("instrument", "", "instrument that runs; radio for a transmit window"),
    Column("activity", "", "activity of the scenario, or the name of a transmit window"),
    Column("start_utc", "", "start, UTC; the warm-up comes first"),
    Column("end_utc", "", "end, UTC"),
    Column("duration_min", "min", "from start to end, warm-up included"),
    Column("state", "", f"{', '.join(STATES[:-1])} or {STATES[-1]}"),
    Column("sun_elevation_deg", "deg", "elevation of the Sun's centre at the start"),
    Column("local_time_h", "h", "local solar time at the start, 12 at noon"),
    Column("surface_temperature_k", "K", "temperature of the ground's surface at the start"),
    Column(
        "contact",
        "",
        "for how much of the slot the platform can reach Earth, itself or through its relay: "
        "whole, part or none; a relay takes data in any case",
    ),
    Column("power_w", "W", "power of the run after warm-up, or of the transmitter"),
    Column("energy_wh", "Wh", "energy of warm-up and run"),
    Column("data_mbit", "Mbit", "data that the run yields"),
    Column("value", "", "what the run adds to the value of the plan"),
)
# What a timeline tells of place if the scenario has stops.
PLACES = (
    Column("stop", "", "stop of the run, or where the drive leads"),
    Column("from_stop", "", "where the drive begins; empty for other slots"),
)
# What a replan tells beside them.
REPLANNED = (
    Column("reason", "", "why a slot was shortened or failed, as it was reported"),
    Column("why", "", "why the replan left the slot as it is"),
)
TIMELINE_COLUMNS = tuple(column.name for column in TIMELINE)
PLACE_COLUMNS = tuple(column.name for column in PLACES)
REPLANNED_COLUMNS = tuple(column.name for column in REPLANNED)
UNITS = {column.name: column.unit for column in TIMELINE}
# Columns that a reader requires, all that it reads, and those that it only compares with the rest
# of the row and with the scenario.
NEEDED = ("activity", "start_utc")
READ_COLUMNS = ("slot", "activity", "start_utc", "end_utc", "state", "reason")
COMPARED = ("platform", "instrument", "duration_min", "power_w", "energy_wh", "data_mbit")
