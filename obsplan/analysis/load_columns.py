"""The columns of command_loads.csv in their order: one table for all who write or explain it."""

from obsplan.inputs.timeline_columns import Column

LOADS = (
    Column("load", "", "number of the load, in order of time"),
    Column("platform", "", "platform that receives it, for itself or as a relay"),
    Column("station", "", "station that sends it"),
    Column("contact_opens_utc", "", "when that station takes up the link"),
    Column("by_utc", "", "when the first of its commands must leave, and so the whole load"),
    Column("commands", "", "how many slots it commands"),
    Column("slots", "", "their ids"),
    Column("activities", "", "their activities"),
    Column("first_start_utc", "", "when the first of these slots starts"),
)
LOAD_COLUMNS = [column.name for column in LOADS]
