"""What can be said of a scenario before any plan is made: what is infeasible, what is odd.

Each finding of severity "infeasible" is a necessary condition that the scenario fails, so no plan
is possible; inexact conditions err on the side of the scenario. A scenario without such a finding
may still be infeasible.
"""

from collections.abc import Iterator

import pandas as pd

from obsplan.checking.temperature_rules import SURVIVAL
from obsplan.environment.booked_passes import pass_cautions
from obsplan.environment.model import Environment
from obsplan.environment.site_skyline import site_cautions
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.reasons.audit_activity import activity_findings, room_findings
from obsplan.planning.reasons.audit_goals import goal_findings
from obsplan.planning.reasons.audit_pins import pin_findings
from obsplan.planning.reasons.audit_platform import platform_findings
from obsplan.planning.reasons.audit_stops import stop_findings
from obsplan.planning.reasons.finding import Finding, Severity
from obsplan.planning.reasons.idle_energy import idle_verdict

# More permitted starts than these make the search slow and the linear model large.
MANY_STARTS = 100_000
UNIT_ADVICE = (
    "a better balance of its heat (thermostat, idle_heat_w, absorbing_m2, ground_w_k, "
    "radiating_m2), or a corrected table if it has one"
)
FINDING_COLUMNS = ("severity", "where", "finding", "fix")


def audit(environment: Environment) -> pd.DataFrame:
    """All findings of a scenario, worst first: columns `FINDING_COLUMNS`."""
    rows = [(f.severity, f.where, f.finding, f.fix) for f in findings(environment)]
    return pd.DataFrame(rows, columns=list(FINDING_COLUMNS))


def findings(environment: Environment) -> list[Finding]:
    """All findings of a scenario, worst first."""
    found = [
        *_idle(environment),
        *_skyline(environment.scenario),
        *_passes(environment),
        *platform_findings(environment),
        *_teams(environment.scenario),
        *_grid(environment),
        *activity_findings(environment),
        *stop_findings(environment),
        *goal_findings(environment),
        *pin_findings(environment),
    ]
    order = list(Severity)
    return sorted(found, key=lambda finding: order.index(finding.severity))


def no_room_for_required_runs(environment: Environment) -> list[Finding]:
    """Activities whose windows and gap leave no room for their required runs, and such pins."""
    rooms = [
        finding
        for activity in environment.scenario.activity
        if activity.must
        for finding in room_findings(environment, activity.name)
        if finding.severity == Severity.INFEASIBLE
    ]
    return [*rooms, *pin_findings(environment)]


def _idle(environment: Environment) -> Iterator[Finding]:
    where, verdict = "with no slot at all", idle_verdict(environment)
    for violation in verdict.found:
        advice = violation.fix or (UNIT_ADVICE if violation.rule == SURVIVAL else "")
        yield Finding(Severity.INFEASIBLE, where, violation.problem, advice)
    for cold in verdict.cold_charging:
        yield Finding(Severity.WARNING, where, str(cold))


def _skyline(scenario: Scenario) -> Iterator[Finding]:
    for caution in site_cautions(scenario):
        yield Finding(Severity.WARNING, "site.skyline", caution, "")


def _passes(environment: Environment) -> Iterator[Finding]:
    for caution in pass_cautions(environment):
        yield Finding(Severity.WARNING, "station.passes", caution, "")


def _teams(scenario: Scenario) -> Iterator[Finding]:
    needed = {team for each in scenario.known_activities for team in each.needs}
    for team in scenario.team:
        if team.name not in needed:
            fix = "name it in needs of an activity, or remove it"
            yield Finding(Severity.WARNING, f'team "{team.name}"', "no activity needs it", fix)


def _grid(environment: Environment) -> Iterator[Finding]:
    scenario = environment.scenario
    step_min = scenario.span.step_min
    length_min = (scenario.span.end_utc - scenario.span.start_utc).total_seconds() / 60
    if unused_min := length_min - scenario.steps * step_min:
        yield Finding(
            Severity.NOTE,
            "span",
            f"its last {unused_min:.0f} min are less than a step and are not used",
            f"a span of whole steps of {step_min} min",
        )
    if many := many_starts(environment):
        yield many


def many_starts(environment: Environment) -> Finding | None:
    """A finding if there are more possible starts than a quick search can handle, else None."""
    scenario = environment.scenario
    starts = {a.name: int(start_mask(environment, a).sum()) for a in scenario.activity}
    if sum(starts.values()) <= MANY_STARTS:
        return None
    most = max(starts, key=starts.__getitem__)
    return Finding(
        Severity.WARNING,
        "scenario",
        f'there are {sum(starts.values())} possible starts, {starts[most]} of them of "{most}"; '
        f"with more than {MANY_STARTS} planning takes long",
        f"a step_min above {scenario.span.step_min}, narrower conditions or a shorter span",
    )
