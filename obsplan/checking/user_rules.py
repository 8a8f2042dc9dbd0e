"""User-defined rules: functions that a script adds, checked like all others."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import datetime

import pandas as pd

from obsplan.checking.rules import built_in_rules
from obsplan.checking.slots import Run, runs_table
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment

# Their parts are not violations, though a loop would take them one by one.
ONE_THING = (Violation, pd.DataFrame, pd.Series, str, bytes, dict)
OwnRule = Callable[[Environment, pd.DataFrame], Iterable[Violation]]


def with_rule(environment: Environment, name: str, rule: OwnRule) -> Environment:
    """The environment in which every timeline must also keep `rule`, called `name`.

    `rule(environment, runs)` returns, or yields, a `Violation` each time a timeline breaks
    it, and nothing for one that keeps it. `runs` has one row per run in order of start, with
    the columns `slot`, `activity`, `platform`, `start_utc`, `end_utc` and `state` (as in
    timeline.csv); failed runs are left out. The violations come back under `name`, whatever
    their `rule` says; one whose `slots` were all done already is left out.

    `check_timeline` calls the rule, and so do `make_plan` and `make_replan`: they move or drop
    runs that a violation names in `slots` until the rule is kept, and raise Infeasible if that
    does not help. The upper bound of a plan ignores the rule. The same runs must always
    give the same violations. A limit on when an activity may run is better given as windows
    (see `with_windows`), which the search uses from the start.

    A rule given again under the same name replaces the first. Raises ValueError if the name is
    that of a built-in rule.
    """
    if name in built_in_rules(environment):
        raise ValueError(f"rule '{name}': obsplan has a rule of this name; choose another name")
    return replace(environment, user_rules=environment.user_rules | {name: rule})


def _listed(name: str, answer: object) -> Iterable[object]:
    """What a rule returned, one by one; raises TypeError if that is no list of violations."""
    if answer is None:
        return ()
    if isinstance(answer, ONE_THING) or not isinstance(answer, Iterable):
        raise TypeError(
            f"rule '{name}': returned a {type(answer).__name__}; allowed are Violations in a list, "
            "or yielded one by one, and nothing if the rule is kept"
        )
    return answer


def own_violations(environment: Environment, runs: list[Run]) -> Iterator[Violation]:
    """Violations that the user-defined rules find in the runs.

    Raises TypeError if one returns anything but violations, or a time without a zone.
    """
    if not environment.user_rules:
        return
    over = {run.slot for run in runs if run.is_over}
    table = runs_table(environment.scenario, [run for run in runs if run.state != "failed"])
    for name, rule in environment.user_rules.items():
        for violation in _listed(name, rule(environment, table.copy())):
            if not isinstance(violation, Violation):
                raise TypeError(f"rule '{name}': gave {violation!r}; allowed are Violations")
            if not isinstance(violation.time_utc, datetime):
                raise TypeError(f"rule '{name}': time_utc {violation.time_utc!r} is not a time")
            if violation.time_utc.tzinfo is None:
                raise TypeError(f"rule '{name}': time_utc {violation.time_utc} has no zone")
            slots = tuple(map(str, violation.slots))
            if not slots or not over.issuperset(slots):
                yield replace(violation, rule=name, slots=slots)
