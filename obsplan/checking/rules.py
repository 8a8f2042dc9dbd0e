"""All rules of slots together: which apply, and which a timeline breaks.

The effect of slots on power and data is checked in resource_rules, from the replay.
"""

from collections.abc import Iterable, Iterator
from itertools import chain

from obsplan.checking.condition_rules import condition_violations, in_service
from obsplan.checking.decision_rules import first_runs
from obsplan.checking.pin_rules import missed_pins
from obsplan.checking.pointing_rules import early_turns
from obsplan.checking.rules_between_slots import counts, gaps, orders, overlaps
from obsplan.checking.rules_of_one_slot import placement
from obsplan.checking.slots import Run
from obsplan.checking.station_rules import crowded_stations
from obsplan.checking.team_rules import crowded_teams
from obsplan.checking.temperature_rules import RANGES
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment
from obsplan.inputs.conditions import CONDITIONS
from obsplan.inputs.placed import DriveActivity


def rule_names(environment: Environment) -> tuple[str, ...]:
    """Names of the rules that apply in an environment, in the order they are reported."""
    return tuple(rule for rule, applies in built_in_rules(environment).items() if applies)


def built_in_rules(environment: Environment) -> dict[str, bool]:
    """Every rule of this package, and whether it applies in an environment."""
    scenario = environment.scenario
    activities, platforms = scenario.activity, scenario.platform
    return {
        "span": True,
        "grid": True,
        "duration": True,
        **{
            condition.words: any(getattr(a.when, condition.key) is not None for a in activities)
            for condition in CONDITIONS
        },
        "Sun direction": any(
            isinstance(a, DriveActivity) and a.not_towards_sun_deg for a in activities
        ),
        "coverage": any(a.coverage for a in activities),
        "contact": any(a.contact != "none" for a in activities),
        "uplink": any(scenario.command_lead_min(a) is not None for a in activities),
        "outage": any(minutes.any() for minutes in environment.out.values()),
        "team hours": any(team in environment.shifts for a in activities for team in a.needs),
        "keep-out": bool(scenario.keep_out),
        "own window": bool(environment.user_windows),
        "instrument": any(i.one_at_a_time for i in scenario.instrument),
        "platform": any(p.one_at_a_time for p in platforms),
        "repeat": True,
        "gap": any(a.gap_min for a in activities),
        "not with": any(a.not_with for a in activities),
        "quiet": any(a.quiet for a in activities),
        "pointing": any(p.pointing for p in platforms),
        "station": sum(p.radio.to == "earth" for p in platforms) > 1
        and any(a.contact == "whole" for a in activities),
        "order": any(a.after for a in activities),
        "place": bool(scenario.drive),
        "drive": bool(scenario.drive),
        "look": bool(scenario.drive),
        "parking": any(p.drive and (p.parking.stop or p.parking.within_m) for p in platforms),
        "first runs in contact": any(a.first_runs_in_contact for a in activities),
        "data latency": any(a.received_by_h is not None for a in activities),
        "team at once": any(a.needs for a in activities),
        "count": True,
        "must": any(a.must for a in activities),
        "required goal": any(goal.required == "minimum" for goal in scenario.goal),
        "pin": bool(scenario.pin),
        "bus power": True,
        "battery power": any(p.battery.discharge_limit_w is not None for p in platforms),
        "state of charge": True,
        "end charge": any(p.battery.end is not None for p in platforms),
        "storage": True,
        "end storage": any(p.store.end_limit_mbit is not None for p in platforms),
        **{
            rule: any(getattr(unit, key) is not None for unit in scenario.units)
            for rule, key in RANGES.items()
        },
    }


def slot_violations(environment: Environment, runs: list[Run], minutes: int) -> Iterator[Violation]:
    """Every rule that the slots, in order of start, break.

    Rules broken only by slots that are over are left out, except for required runs that are
    missing. A run that failed does not count, nor one that cannot run and breaks a rule by that:
    its instrument is out of service, or another run of its activity is in progress.
    """
    scenario, every_run = environment.scenario, runs
    missed = missed_pins(scenario, runs)
    counted = counted_runs(environment, runs)
    runs = [run for run in runs if run.state != "failed"]
    able = [run for run in runs if run.is_over or in_service(environment, run)]
    found = chain(
        placement(scenario, runs, minutes),
        condition_violations(environment, runs, minutes),
        overlaps(scenario, runs),
        gaps(scenario, able),
        early_turns(scenario, runs),
        crowded_stations(environment, runs, minutes),
        orders(scenario, counted),
        crowded_teams(scenario, runs),
        first_runs(environment, counted, minutes),
        counts(scenario, counted, minutes),
        missed,
    )
    yield from ahead(found, every_run)


def ahead(found: Iterable[Violation], runs: list[Run]) -> Iterator[Violation]:
    """The violations without those of slots alone that are over; required runs may be missing."""
    over = {run.slot for run in runs if run.is_over}
    for violation in found:
        if violation.rule == "must" or not violation.slots or not over.issuperset(violation.slots):
            yield violation


def counted_runs(environment: Environment, runs: list[Run]) -> list[Run]:
    """The runs, in order of start, that did not fail and can run."""
    runs = [run for run in runs if run.state != "failed"]
    return list(_one_at_a_time(r for r in runs if r.is_over or in_service(environment, r)))


def _one_at_a_time(runs: Iterable[Run]) -> Iterator[Run]:
    """The runs, in order of start, without those that begin during another of their activity."""
    until_min: dict[str, float] = {}
    for run in runs:
        if run.start_min >= until_min.get(run.activity.name, run.start_min):
            until_min[run.activity.name] = run.end_min
            yield run
