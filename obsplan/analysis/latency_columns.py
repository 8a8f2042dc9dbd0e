"""The columns of latency.csv in their order: one table for all who write or explain it."""

from obsplan.inputs.timeline_columns import Column

LATENCY = (
    Column("activity", "", "activity whose runs yield the data"),
    Column("priority", "", "its priority; 1 leaves first"),
    Column("taken_mbit", "", "data that its runs in the plan yield"),
    Column("received_mbit", "", "what of them reaches Earth within the span"),
    Column("median_h", "", "from taken to received: half of the data wait no longer"),
    Column("longest_h", "", "the longest wait of any of them"),
    Column("received_by_h", "", "the longest wait that the scenario permits; empty for no limit"),
    Column("longest_taken_utc", "", "when those that wait longest are taken"),
    Column("still_stored_mbit", "", "what is still stored when the span ends"),
)
LATENCY_COLUMNS = [column.name for column in LATENCY]
