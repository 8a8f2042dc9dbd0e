"""The rules between slots: overlap, gaps, order and how many runs there are."""

from collections.abc import Iterator

from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.text import number_text
from obsplan.inputs.activity import Activity
from obsplan.inputs.after import After
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario


def overlaps(scenario: Scenario, runs: list[Run]) -> Iterator[Violation]:
    """Pairs of slots that may not share a minute, once for each rule that excludes them."""
    # The run of an activity that ends last blocks later ones longest.
    running: dict[str, Run] = {}
    for later in runs:
        running = {n: run for n, run in running.items() if run.end_min > later.start_min}
        for earlier in running.values():
            reasons = why_apart(scenario, earlier.activity, later.activity)
            minutes = min(earlier.end_min, later.end_min) - later.start_min
            for rule, why in reasons.items():
                yield Violation(
                    rule,
                    scenario.instant_at(later.start_min),
                    minutes,
                    "min",
                    f"{earlier} and {later} overlap for {number_text(minutes)} min from "
                    f"{scenario.stamp_at(later.start_min)}",
                    reason=why,
                    platform=later.platform,
                    activity=later.activity.name,
                    slots=(earlier.slot, later.slot),
                )
        rival = running.setdefault(later.activity.name, later)
        if later.end_min > rival.end_min:
            running[later.activity.name] = later


def why_apart(scenario: Scenario, a: Activity, b: Activity) -> dict[str, str]:
    """Each rule by which runs of two activities may not overlap, and the reason in words."""
    reasons = {}
    if a.name == b.name:
        reasons["repeat"] = f'runs of "{a.name}" may not overlap'
    if a.instrument == b.instrument and any(
        i.one_at_a_time for i in scenario.instrument if i.name == a.instrument
    ):
        reasons["instrument"] = f'"{a.instrument}" runs one slot at a time'
    name = scenario.platform_of(a)
    if name == scenario.platform_of(b) and scenario.platform_named(name).one_at_a_time:
        reasons["platform"] = f'"{name}" runs one slot at a time'
    if name == scenario.platform_of(b) and _is_moved_by(a, b):
        reasons["place"] = f'"{name}" is at no stop while it drives'
    if a.name in b.not_with or b.name in a.not_with:
        reasons["not with"] = "they exclude each other"
    for quiet, other in ((a, b), (b, a)):
        if quiet.name != other.name and quiet.quiet and other.disturbs:
            reasons["quiet"] = f'"{other.name}" disturbs, "{quiet.name}" must be quiet'
    return reasons


def _is_moved_by(one: Activity, other: Activity) -> bool:
    """Whether one of them is at a stop of the rover and the other a drive."""
    drives = isinstance(one, DriveActivity) or isinstance(other, DriveActivity)
    return drives and (isinstance(one, PlacedActivity) or isinstance(other, PlacedActivity))


def gaps(scenario: Scenario, runs: list[Run]) -> Iterator[Violation]:
    """Runs that start too soon after the run before them of the same activity."""
    before: dict[str, Run] = {}
    for run in runs:
        name, gap_min = run.activity.name, run.activity.gap_min
        previous = before.get(name)
        if previous and gap_min and run.start_min < previous.end_min + gap_min:
            early = previous.end_min + gap_min - run.start_min
            yield Violation(
                "gap",
                scenario.instant_at(run.start_min),
                early,
                "min",
                f"{run} starts at {scenario.stamp_at(run.start_min)}, {number_text(early)} min too "
                f"early for the gap of {gap_min} min after slot {previous.slot}",
                platform=run.platform,
                activity=name,
                slots=(previous.slot, run.slot),
            )
        if not previous or run.end_min > previous.end_min:
            before[name] = run


def orders(scenario: Scenario, runs: list[Run]) -> Iterator[Violation]:
    """Runs that start before a run of the activity they come after has ended and settled.

    Where people decide on them, or the latest run counts, see `decision_rules`; what comes after a
    drive is in `place_rules`.
    """
    first_ended: dict[str, Run] = {}
    for run in runs:
        known = first_ended.setdefault(run.activity.name, run)
        if run.end_min < known.end_min:
            first_ended[run.activity.name] = run
    early: dict[tuple[str, After], list[Run]] = {}
    for run in runs:
        for after in () if run.is_over else run.activity.after:
            if not after.is_plain or not after.applies_at(scenario.instant_at(run.start_min)):
                continue
            if scenario.is_drive(after.activity):
                continue
            first = first_ended.get(after.activity)
            if first is None or first.end_min + after.settle_min > run.start_min:
                early.setdefault((run.activity.name, after), []).append(run)
    for (name, after), own in early.items():
        first, soonest = first_ended.get(after.activity), own[0]
        many = f" and {len(own) - 1} more of its runs" if len(own) > 1 else ""
        starts = "start from" if many else "starts at"
        which = f"{soonest}{many} {starts} {scenario.stamp_at(soonest.start_min)}"
        before = f"{after.settle_min} min before" if after.settle_min else "before"
        needed = f'a run of "{after.activity}" must have ended {before}'
        if first is None:
            amount, unit = 1.0, "run"
            problem = f"{which}; {needed}, and there is none"
        else:
            amount, unit = first.end_min + after.settle_min - soonest.start_min, "min"
            problem = f"{which}, {number_text(amount)} min too early: {needed}"
        yield Violation(
            "order",
            scenario.instant_at(soonest.start_min),
            amount,
            unit,
            problem,
            platform=soonest.platform,
            activity=name,
            slots=(*([first.slot] if first else []), *(run.slot for run in own)),
        )


def counts(scenario: Scenario, runs: list[Run], minutes: int) -> Iterator[Violation]:
    """Activities with more runs than requested or fewer than required."""
    for activity in scenario.activity:
        own = [run for run in runs if run.activity.name == activity.name]
        platform = scenario.platform_of(activity)
        # Nobody requests drives: they go where the rover has to be.
        surplus = [] if isinstance(activity, DriveActivity) else own[activity.count :]
        if surplus:
            yield Violation(
                "count",
                scenario.instant_at(surplus[0].start_min),
                float(len(surplus)),
                "run",
                f'"{activity.name}" has {len(own)} runs, {activity.count} are requested',
                platform=platform,
                activity=activity.name,
                slots=tuple(run.slot for run in surplus),
            )
        missing = activity.must - len(own)
        if missing > 0:
            yield Violation(
                "must",
                scenario.instant_at(minutes),
                float(missing),
                "run",
                f'"{activity.name}" has {len(own)} runs by the end of the span, {activity.must} '
                "are required",
                platform=platform,
                activity=activity.name,
                slots=tuple(run.slot for run in own),
            )
