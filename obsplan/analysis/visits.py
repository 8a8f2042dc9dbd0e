"""Which stops a rover visits, in which order, what is done there, and which it leaves out."""

from typing import NamedTuple

import pandas as pd

from obsplan.environment.rover_telemetry import seen_at
from obsplan.inputs.activity import Activity
from obsplan.inputs.legs import Leg
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER
from obsplan.planning.plan import Plan
from obsplan.planning.reasons.fix_wording import Fix
from obsplan.planning.reasons.stop_wording import NoChangeFound, StopLeftOut, VisitedIf

# Said of a stop that no activity is at.
NOTHING_THERE = "no activity is at this stop"


class Visit(NamedTuple):
    """A rover at a stop. number: from 1 on, by rover; 0 where it stands when the span begins.

    arrives_utc, leaves_utc: None if it stands here from or to the end of the span; it arrives too
    where telemetry sees it without a drive there. leg: that which led here, if any did. runs: how
    many of each activity, by its name in the scenario, are made here.
    """

    platform: str
    number: int
    stop: str
    arrives_utc: pd.Timestamp | None
    leaves_utc: pd.Timestamp | None
    leg: Leg | None
    runs: dict[str, int]


class LeftOut(NamedTuple):
    """A stop that no drive leads to, why, and what would let it in; "" if nothing is known."""

    platform: str
    stop: str
    reason: str
    visited_if: str = ""


def visits(plan: Plan, platform: str) -> list[Visit]:
    """The visits of a rover in their order, from where it stands at first; none if it does nothing
    that has to do with stops."""
    scenario, timeline = plan.environment.scenario, plan.timeline
    rows = timeline[(timeline["platform"] == platform) & (timeline["state"] != "failed")]
    seen = seen_at(plan.environment, platform)
    found: list[Visit] = []
    over_utc = pd.Timestamp(scenario.span.start_utc)
    for slot in rows.sort_values("start_utc", kind="stable").itertuples(index=False):
        activity = _known(scenario, slot.activity)
        if not isinstance(activity, DriveActivity | PlacedActivity):
            continue
        while seen and seen[0][0] <= slot.start_utc:
            _stand(found, platform, *seen.pop(0), over_utc)
        if isinstance(activity, PlacedActivity):
            if not found:
                found.append(Visit(platform, 0, activity.stop, None, None, None, {}))
            if found[-1].stop == activity.stop:
                runs = found[-1].runs
                runs[activity.of] = runs.get(activity.of, 0) + 1
            continue
        leg, over_utc = activity.leg, slot.end_utc
        if not found:
            found.append(Visit(platform, 0, leg.start, None, None, None, {}))
        if found[-1].leaves_utc is None:
            found[-1] = found[-1]._replace(leaves_utc=slot.start_utc)
        if activity.is_last and slot.state != "shortened":
            found.append(Visit(platform, len(found), leg.end, slot.end_utc, None, leg, {}))
    for read_utc, place in seen:
        _stand(found, platform, read_utc, place, over_utc)
    return found


def _stand(
    found: list[Visit], platform: str, read_utc: pd.Timestamp, place: str, over_utc: pd.Timestamp
) -> None:
    """Add a visit to a place where a rover is seen, if no drive has led there, or is on its way."""
    if read_utc < over_utc or (not found and place == LANDER):
        return
    if not found:
        found.append(Visit(platform, 0, LANDER, None, None, None, {}))
    if found[-1].stop != place or found[-1].leaves_utc is not None:
        if found[-1].leaves_utc is None:
            found[-1] = found[-1]._replace(leaves_utc=read_utc)
        found.append(Visit(platform, len(found), place, read_utc, None, None, {}))


def left_out(plan: Plan, platform: str) -> list[LeftOut]:
    """The stops of a rover that no drive leads to, in the order of the scenario."""
    scenario = plan.environment.scenario
    reached = {visit.stop for visit in visits(plan, platform)}
    rows = {row.activity: row for row in plan.unplaced.itertuples(index=False)}
    found = []
    for stop in scenario.stop:
        if stop.platform != platform or stop.name in reached:
            continue
        missing = [a.name for a in activities_at(scenario, stop.name) if a.name in rows]
        known = [plan.answers[name] for name in missing if name in plan.answers]
        if known and isinstance(known[0].reason, StopLeftOut):
            found.append(_of_answer(platform, stop.name, known[0].reason, known[0].fix))
        else:
            reasons = dict.fromkeys(rows[name].reason for name in missing)
            found.append(LeftOut(platform, stop.name, "; ".join(reasons) or NOTHING_THERE))
    return found


def _of_answer(platform: str, stop: str, reason: StopLeftOut, fix: Fix | None) -> LeftOut:
    """Why a stop is left out; with what was tried in vain, if nothing lets it in."""
    if isinstance(fix, VisitedIf):
        return LeftOut(platform, stop, reason.why, str(fix))
    tried = f"; {fix}" if isinstance(fix, NoChangeFound) else ""
    return LeftOut(platform, stop, f"{reason.why}{tried}")


def activities_at(scenario: Scenario, stop: str) -> list[PlacedActivity]:
    """The activities at a stop."""
    placed = [a for a in scenario.activity if isinstance(a, PlacedActivity)]
    return [activity for activity in placed if activity.stop == stop]


def rovers(scenario: Scenario) -> list[str]:
    """Names of the platforms that have stops."""
    return [p.name for p in scenario.platform if any(s.platform == p.name for s in scenario.stop)]


def _known(scenario: Scenario, name: str) -> Activity | None:
    """The activity of that name; None for a transmit window."""
    return next((a for a in scenario.known_activities if a.name == name), None)
