"""What a type checker must know of the public names; `mypy tests/typing` reads it, nothing runs it.

A line with an ignore comment is one that the checker must refuse: an ignore that is not
needed is an error.
"""

from typing import assert_type

import obsplan

scenario = obsplan.read_scenario("scenario.toml")
assert_type(scenario, obsplan.Scenario)
environment = obsplan.make_environment(scenario)
assert_type(environment, obsplan.Environment)
assert_type(environment.scenario, obsplan.Scenario)
plan = obsplan.make_plan(environment, gap=0.02, effort="low")
assert_type(plan.value, float)
assert_type(plan.verdict, obsplan.Verdict)
assert_type(plan.environment, obsplan.Environment)
assert_type(obsplan.with_windows(environment, "a", plan.timeline), obsplan.Environment)
verdict = obsplan.check_timeline(environment, plan.timeline)
assert_type(verdict, obsplan.Verdict)
obsplan.write_plan(plan, "plan")

obsplan.make_environment("scenario.toml")  # type: ignore[arg-type]
obsplan.make_plan(scenario)  # type: ignore[arg-type]
obsplan.make_plan(environment, gap="small")  # type: ignore[arg-type]
obsplan.check_timeline(plan, plan.timeline)  # type: ignore[arg-type]
obsplan.plan_figure(environment)  # type: ignore[arg-type]
obsplan.make_plans(environment)  # type: ignore[attr-defined]
