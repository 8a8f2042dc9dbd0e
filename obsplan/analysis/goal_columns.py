"""The columns of goals.csv in their order: one table for all who write or explain it."""

from obsplan.inputs.timeline_columns import Column

GOALS = (
    Column("goal", "", "name of the goal"),
    Column("bin", "", 'one of its bins, or "all bins" in the row of the whole goal'),
    Column("requested", "", "runs requested; if together, of each activity"),
    Column("planned", "", "those of them that are in the timeline"),
    Column("counted", "", "those of them that count by the end: received or done"),
    Column("missing", "", "those of them that are not in the timeline or do not count"),
    Column(
        "state",
        "",
        "reached (all count already), planned (all will), short (some are missing) or out of reach "
        "(no permitted start is left for some); of the whole goal also minimum (no more than that)",
    ),
    Column("minimum", "", "what counts of the minimum: runs of it in a bin, bins with these runs"),
    Column("minimum_utc", "", "from when on its minimum counts; empty if never or without one"),
    Column("complete_utc", "", "from when on all that is requested counts; empty if never"),
    Column("value", "", "what the runs that count are worth; in the row of the whole goal"),
    Column("of_value", "", "what the whole goal is worth; in the same row"),
    Column("why", "", "why runs are missing"),
)
GOAL_COLUMNS = [column.name for column in GOALS]
ALL_BINS = "all bins"
