"""The columns of quiet_hours.csv in their order: one table for all who write or explain it."""

from obsplan.inputs.timeline_columns import Column

QUIET = (
    Column("local_time_from_h", "", "the hour of local time begins"),
    Column("local_time_to_h", "", "and ends"),
    Column("hours_h", "", "how much of the span lies in it"),
    Column("quiet_h", "", "how much of that no run disturbs"),
    Column("taken_h", "", "how much of that runs of quiet activities take"),
    Column("disturbed_h", "", "how much of it some run disturbs"),
    Column("by", "", "which activities disturb, and for how long"),
)
QUIET_COLUMNS = [column.name for column in QUIET]
