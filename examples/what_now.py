"""Things went differently: what now?

Run it as `python examples/what_now.py [scenario.toml]`, or cell by cell.
"""

# %%
import sys
from importlib.resources import files

import pandas as pd

import obsplan

given = [word for word in sys.argv[1:] if word.endswith(".toml")]
path = given[0] if given else files("obsplan.examples") / "minimal.toml"
scenario = obsplan.read_scenario(path)
environment = obsplan.make_environment(scenario)
plan = obsplan.make_plan(environment, effort="low")

# %% Halfway through the span, the last run that ended is reported as failed
span = scenario.span
now_utc = pd.Timestamp(span.start_utc + (span.end_utc - span.start_utc) / 2).floor("h")
runs = plan.timeline[~plan.timeline["activity"].isin(list(scenario.sending_names))]
last = runs[runs["end_utc"] <= now_utc].tail(1)
ran = last[["slot", "activity", "start_utc", "end_utc"]].assign(outcome="failed", reason="")

# %% The new plan: completed runs stay, everything else may move
made = obsplan.make_replan(environment, plan.timeline, now_utc.to_pydatetime(), ran=ran)
print(made.changes.head().to_string(index=False))
print(f"value {made.plan.value:.1f}; old plan unchanged: {made.old_value:.1f}")

# %% The figure of the new plan
figure = obsplan.plan_figure(made.plan)
figure
