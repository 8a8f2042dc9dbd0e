"""What is told of the futures of a plan at the end of the command and on the page."""

from collections.abc import Iterator, Sequence

import pandas as pd

from obsplan.futures.execute import Futures
from obsplan.futures.goal_chances import goal_futures_table, minimum_reached_everywhere
from obsplan.futures.surer_changes import SURE, least_sure
from obsplan.futures.tables import causes_table, chance_text, futures_table, platform_lines

# Slots and uncertainties that are named.
MOST_NAMED = 3


def futures_lines(futures: Futures, alone: Sequence[Futures]) -> Iterator[str]:
    """How sure all minimums are, the value, each goal, what costs most, weak slots, platforms."""
    if line := minimum_line(futures):
        yield line
    yield value_line(futures)
    yield from goal_chance_lines(futures)
    yield from cause_lines(causes_table(alone))
    slots = futures_table(futures).sort_values("received", kind="stable")
    for row in slots.head(MOST_NAMED).itertuples(index=False):
        why = f": {row.not_made}" if row.not_made else ""
        yield (
            f'least sure: "{row.activity}" (slot {row.slot}), received with chance '
            f"{row.received:.3g} ({row.received_low:.3g} to {row.received_high:.3g}){why}"
        )
    yield from platform_lines(futures)


def minimum_line(futures: Futures) -> str:
    """In how many futures all goals reach their minimum; "" if none has one."""
    reached = minimum_reached_everywhere(futures)
    if reached is None:
        return ""
    many, count = int(reached.sum()), len(reached)
    return (
        f"all goals reach their minimum in {many} of {count} futures: {chance_text(many, count)}, "
        "95 % interval"
    )


def value_line(futures: Futures) -> str:
    """What is received in the futures."""
    return (
        f"value received in {len(futures.value)} futures (seed {futures.seed}): "
        f"{futures.mean_value:.1f} on average, {futures.worst_value:.1f} in the worst tenth, "
        f"{futures.certain_value:.1f} if all goes as predicted"
    )


def tries_lines(tries: pd.DataFrame, goals: pd.DataFrame) -> Iterator[str]:
    """The plans that were tried in small tables: their value, and how surely each reaches each
    minimum; and what the chosen one does in fresh futures."""
    names = [f"{k} {name}" for k, name in enumerate(tries["made_for"], start=1)]
    wide = max(len("plan made for"), *map(len, names))
    has_minimum = bool(tries["minimum_goals"].notna().any())
    head = "  all minimums" if has_minimum else ""
    yield f"{'plan made for':<{wide}}  planned    mean  worst 10 %  received{head}"
    for name, row in zip(names, tries.itertuples(index=False)):
        least = f" {row.minimum_goals:13.3f}" if has_minimum else ""
        mark = "  <- chosen" if row.chosen else ""
        yield (
            f"{name:<{wide}}  {row.planned_value:7.1f} {row.mean_value:7.1f} "
            f"{row.worst_value:11.1f} {row.received_percent:7.1f} %{least}{mark}"
        )
    if has_minimum:
        yield from _try_goal_lines(tries, goals)
    yield from fresh_lines(tries)


def fresh_lines(tries: pd.DataFrame) -> Iterator[str]:
    """What the plan as predicted and the chosen one do in futures that nothing was chosen on."""
    for row in tries[tries["fresh_mean_value"].notna()].itertuples(index=False):
        least = ""
        if not pd.isna(row.fresh_minimum_goals):
            least = f", all goals reach their minimum with chance {row.fresh_minimum_goals:.3f}"
        yield (
            f"in fresh futures, made for {row.made_for}: {row.fresh_mean_value:.1f} on average, "
            f"{row.fresh_worst_value:.1f} in the worst tenth{least}"
        )


def _try_goal_lines(tries: pd.DataFrame, goals: pd.DataFrame) -> Iterator[str]:
    """A row for each goal with a minimum, a column for each try."""
    chances = goals[goals["minimum"].notna()]
    title = "chance of its minimum, by plan"
    wide = max(len(title), *chances["goal"].str.len())
    yield f"{title:<{wide}}" + "".join(f"{k:>7}" for k in range(1, len(tries) + 1))
    for name, own in chances.groupby("goal", sort=False):
        told = own.set_index("made_for")["minimum"].reindex(tries["made_for"])
        yield f"{name:<{wide}}" + "".join(f"{chance:7.3f}" for chance in told)


def goal_chance_lines(futures: Futures) -> Iterator[str]:
    """How surely the minimum of each goal is reached, and all of it."""
    for row in goal_futures_table(futures).itertuples(index=False):
        least = ""
        if row.minimum == row.minimum:  # it has one
            ends = f"{row.minimum_low:.3g} to {row.minimum_high:.3g}"
            least = f"minimum with chance {row.minimum:.3g} ({ends}), "
        ends = f"{row.complete_low:.3g} to {row.complete_high:.3g}"
        yield (
            f'goal "{row.goal}": {least}all with chance {row.complete:.3g} ({ends}); value '
            f"{row.mean_value:.1f} of {row.of_value:.1f} on average, {row.worst_value:.1f} in the "
            "worst tenth"
        )


def surer_lines(futures: Futures, surer: pd.DataFrame | None) -> Iterator[str]:
    """What would make the least sure goals surer, if anything was tried (see `surer_changes`)."""
    goals = futures.environment.scenario.goal
    if surer is None or not goals:
        return
    weak = least_sure(futures)
    if not weak:
        least = any(goal.minimum for goal in goals)
        reach = "each goal with a minimum reaches it" if least else "each goal is reached in full"
        yield f"surer: no change was tried: {reach} with chance {SURE} or more already"
    for goal in weak:
        own = surer[surer["goal"] == goal.name]
        better = own[own["gain"] > 0].head(MOST_NAMED)
        part = "its minimum" if goal.minimum else "all of it"
        if better.empty:
            yield f'surer: nothing tried makes goal "{goal.name}" surer ({len(own)} changes)'
        for row in better.itertuples(index=False):
            yield (
                f'surer: goal "{goal.name}" reaches {part} with chance {row.new_chance:.3f} '
                f"({row.new_chance_low:.3f} to {row.new_chance_high:.3f}) instead of "
                f"{row.chance:.3f} with {change_words(row)}; mean value {row.value_change:+.1f}"
            )


def change_words(row) -> str:
    """A change of surer.csv: 'another run of "seismic block" at 2028-07-04 05:00'."""
    since, until = (
        "" if pd.isna(time) else f"{time:%Y-%m-%d %H:%M}" for time in (row.from_utc, row.to_utc)
    )
    match row.change:
        case "another run":
            return f'another run of "{row.activity}" at {until}'
        case "moved earlier":
            return f'"{row.activity}" (slot {row.slot}) of {since} moved to {until}'
        case "left out":
            return f'"{row.activity}" (slot {row.slot}) of {since} left out'
        case _:
            return f"a pass of {row.station} booked from {since} to {until}"


def cause_lines(causes: pd.DataFrame) -> Iterator[str]:
    """The uncertainties that cost most."""
    for row in causes.head(MOST_NAMED).itertuples(index=False):
        of = f' of "{row.of}"' if row.of else ""
        least = ""
        if not pd.isna(row.minimum_goals):
            least = f"; all goals reach their minimum with chance {row.minimum_goals:.3f} then"
        yield (
            f"costs most: {row.uncertainty}{of} ({row.size}): {row.cost:.1f} of value on average "
            f"({row.cost_percent:.1f} %) if nothing else is uncertain{least}"
        )
