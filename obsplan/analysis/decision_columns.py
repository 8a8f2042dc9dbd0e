"""The columns of decisions.csv in their order: one table for all who write or explain it."""

from obsplan.inputs.timeline_columns import Column

DECISIONS = (
    Column("slot", "", "slot that people decide on"),
    Column("activity", "", "its activity"),
    Column("after_slot", "", "slot that they look at before"),
    Column("after", "", "its activity"),
    Column(
        "picture_down_utc",
        "",
        "when all its data are on Earth, or when it has ended and settled if they need not be",
    ),
    Column("decide_min", "", "time that people need then"),
    Column("decided_utc", "", "when they have decided, at the earliest"),
    Column("decide_by_utc", "", "when they must have decided, so that the slot can be commanded"),
    Column("command_by_utc", "", "when its command must leave; empty if it needs none"),
    Column("start_utc", "", "when the slot runs"),
    Column("spare_min", "", "from decided to decide by"),
)
DECISION_COLUMNS = [column.name for column in DECISIONS]
