"""The columns of futures.csv, goal_futures.csv and causes.csv."""

from obsplan.inputs.timeline_columns import Column

FUTURES = (
    Column("slot", "", "id of the slot in the timeline"),
    Column("platform", "", "platform that carries the instrument"),
    Column("activity", "", "activity of the slot"),
    Column("start_utc", "", "planned start, UTC"),
    Column("made", "", "share of the futures in which it is made, 0 to 1"),
    Column("made_low", "", "lower end of the exact 95 % interval of that chance"),
    Column("made_high", "", "upper end of that interval"),
    Column("received", "", "share in which it is made and its data reach Earth within the span"),
    Column("received_low", "", "lower end of the exact 95 % interval of that chance"),
    Column("received_high", "", "upper end of that interval"),
    Column("late_min", "min", "mean delay of its start in the futures in which it is made"),
    Column("not_made", "", "why it is not made, and in what share of all futures"),
)
GOAL_FUTURES = (
    Column("goal", "", "name of the goal"),
    Column("of_value", "", "what the whole goal is worth"),
    Column("mean_value", "", "what is reached of that, on average over the futures"),
    Column("worst_value", "", "the same, on average over the worst tenth for this goal"),
    Column("minimum", "", "share of the futures in which its minimum is there; empty without one"),
    Column("minimum_low", "", "lower end of the exact 95 % interval of that chance"),
    Column("minimum_high", "", "upper end of that interval"),
    Column("complete", "", "share of the futures in which all that is requested is there"),
    Column("complete_low", "", "lower end of the exact 95 % interval of that chance"),
    Column("complete_high", "", "upper end of that interval"),
)
TRIES = (
    Column(
        "made_for",
        "",
        "what the plan was made for: less of arrays or link, more reserve, or spare runs",
    ),
    Column("planned_value", "", "value of the plan if all goes as predicted, by its own account"),
    Column("mean_value", "", "mean value over the futures that it was chosen on"),
    Column("worst_value", "", "mean value of the worst tenth of them"),
    Column("received_percent", "%", "slots received on average"),
    Column("aboard_mbit", "Mbit", "data still aboard all platforms at the end, on average"),
    Column("below_reserve", "", "share of the futures in which a battery is below its reserve"),
    Column("minimum_goals", "", "share in which all goals have their minimum; empty without any"),
    Column("chosen", "", "whether it is the best to the judge, which is the plan written"),
    Column("fresh_mean_value", "", "mean value over fresh futures, with the next seed"),
    Column("fresh_worst_value", "", "mean value of the worst tenth of those"),
    Column("fresh_minimum_goals", "", "share of those in which all goals have their minimum"),
)
TRY_GOALS = (
    Column("made_for", "", "what the plan was made for, as in tries.csv"),
    Column("planned_value", "", "value of that plan if all goes as predicted, by its own account"),
    Column("goal", "", "name of the goal"),
    Column("minimum", "", "share of the futures in which its minimum is there; empty without one"),
    Column("minimum_low", "", "lower end of the exact 95 % interval of that chance"),
    Column("minimum_high", "", "upper end of that interval"),
    Column("complete", "", "share of the futures in which all that is requested is there"),
    Column("mean_value", "", "what is reached of its value, on average over the futures"),
)
SURER = (
    Column("goal", "", "a goal that is little sure"),
    Column("chance", "", "share of the futures in which its minimum is there; of all, without one"),
    Column("change", "", "another run, moved earlier, left out, or another pass"),
    Column("activity", "", "activity of the run that is added, moved or left out"),
    Column("slot", "", "id of the slot that is moved or left out"),
    Column("station", "", "station of the pass"),
    Column("from_utc", "", "start of that slot or pass, UTC"),
    Column("to_utc", "", "new start of the run, or end of the pass, UTC"),
    Column("new_chance", "", "that share of the same futures with this change alone"),
    Column("new_chance_low", "", "lower end of the exact 95 % interval of that chance"),
    Column("new_chance_high", "", "upper end of that interval"),
    Column("gain", "", "by how much the chance rises"),
    Column("gain_error", "", "standard error of that, as futures are drawn at random"),
    Column("minimum_goals", "", "share in which all goals have their minimum then"),
    Column("mean_value", "", "mean value then"),
    Column("value_change", "", "by how much the mean value rises"),
)
CONTINGENCIES = (
    Column("lost", "", "what is out of service for good; all else goes as predicted"),
    Column("kind", "", "instrument, station or platform"),
    Column("from_utc", "", "from when on, UTC"),
    Column("value", "", "value received if nobody replans, by the execution rule"),
    Column("cost", "", "how much less that is than with nothing lost"),
    Column("cost_percent", "%", "the same as a share of the value with nothing lost"),
    Column("replanned_value", "", "value received if a replan is made at that time"),
    Column("saved", "", "what the replan saves"),
    Column("first_changes", "", "its first changes, in order of time"),
)
CAUSES = (
    Column("uncertainty", "", "the only thing that is uncertain"),
    Column("of", "", "what it is of; all if empty"),
    Column("size", "", "as the scenario says: factor, chance, or losses per day"),
    Column("cost", "", "value lost on average if nothing else is uncertain"),
    Column("cost_percent", "%", "the same as a share of the value with nothing uncertain"),
    Column("cost_error", "", "standard error of the cost, as futures are drawn at random"),
    Column("worst_value", "", "mean value of the worst tenth of the futures"),
    Column("received_percent", "%", "slots received on average"),
    Column("aboard_mbit", "Mbit", "data still aboard all platforms at the end, on average"),
    Column("below_reserve", "", "share of the futures in which a battery is below its reserve"),
    Column("minimum_goals", "", "share in which all goals have their minimum; empty without any"),
)
FUTURES_COLUMNS = [column.name for column in FUTURES]
GOAL_FUTURES_COLUMNS = [column.name for column in GOAL_FUTURES]
TRY_COLUMNS = [column.name for column in TRIES]
TRY_GOAL_COLUMNS = [column.name for column in TRY_GOALS]
SURER_COLUMNS = [column.name for column in SURER]
CONTINGENCY_COLUMNS = [column.name for column in CONTINGENCIES]
CAUSES_COLUMNS = [column.name for column in CAUSES]
