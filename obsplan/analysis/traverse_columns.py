"""The columns of traverse.csv in their order: one table for all who write or explain it."""

from obsplan.inputs.timeline_columns import Column

TRAVERSE = (
    Column("leg", "", "number of the leg of this rover, counted from 1"),
    Column("part", "", "which of its parts, as in 2 of 3"),
    Column("slot", "", "slot of the drive; a stop that is left out has none, nor leg and times"),
    Column("platform", "", "rover that drives"),
    Column("from_stop", "", "where the leg begins"),
    Column("stop", "", "where it leads"),
    Column("start_utc", "", "start of the drive, UTC"),
    Column(
        "end_utc",
        "",
        "end of the drive, UTC, by its real minutes; its slot in timeline.csv is longer, up to a "
        "whole step, and the rover stands meanwhile",
    ),
    Column("state", "", "state of its slot; left out: no drive leads to this stop"),
    Column("distance_m", "", "length of the way on the ground"),
    Column("odometer_m", "", "metres driven by its end, since the span began"),
    Column("climb_m", "", "sum of all that it rises"),
    Column("steepest_slope_deg", "", "steepest ground on the way"),
    Column("energy_wh", "", "energy of driving, beyond that of standing"),
    Column("data_mbit", "", "pictures and telemetry"),
    Column("reason", "", "why a stop is left out"),
    Column("visited_if", "", "one change that was tried and lets it in"),
)
TRAVERSE_COLUMNS = [column.name for column in TRAVERSE]
