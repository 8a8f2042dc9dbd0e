"""How many runs of each activity are requested, where several serve one goal."""

from obsplan.inputs.goal import Goal
from obsplan.inputs.scenario import Scenario


def requested_counts(scenario: Scenario) -> dict[str, float]:
    """Runs requested of each activity; those that several could make for a goal count once.

    An activity that serves goals and has a value of its own requests its count. The others share
    what its goals want beyond that evenly, as any of them will do, and request no more than their
    count and no less than what is required. If a goal counts activities together, each requests all
    of its runs.
    """
    activities = {activity.name: activity for activity in scenario.activity}
    counts = {name: float(activity.count) for name, activity in activities.items()}

    def share(goal: Goal) -> float:
        if goal.together:
            return goal.runs
        own = [activities[name].count for name in goal.runs_of if activities[name].value > 0]
        return max(0, goal.runs - sum(own)) / (len(goal.runs_of) - len(own))

    for name, activity in activities.items():
        serves = [goal for goal in scenario.goal if name in goal.runs_of]
        if serves and activity.value == 0:
            counts[name] = min(counts[name], max(activity.must, sum(map(share, serves))))
    return counts
