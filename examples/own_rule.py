"""A time window and a rule of your own, which a scenario file cannot express.

Run it as `python examples/own_rule.py [scenario.toml]`, or cell by cell.
"""

# %%
import sys
from importlib.resources import files

import numpy as np

import obsplan

given = [word for word in sys.argv[1:] if word.endswith(".toml")]
path = given[0] if given else files("obsplan.examples") / "minimal.toml"
scenario = obsplan.read_scenario(path)
environment = obsplan.make_environment(scenario)
name = scenario.activity[-1].name
MOST_A_DAY = 3


# %% A window: the team is on duty from 08:00 to 20:00 UTC, and the last activity needs it
hour = np.asarray(environment.sky.index.hour)
on_duty = (hour >= 8) & (hour < 20)
environment = obsplan.with_windows(environment, name, on_duty)


# %% A rule: no more than three runs of all activities together may start on a day
def few_a_day(environment, runs):
    """A violation for each run after the third of a day; `runs` are in order of start."""
    for day, rows in runs.groupby(runs["start_utc"].dt.date):
        for run in rows.iloc[MOST_A_DAY:].itertuples():
            yield obsplan.Violation(
                rule="few a day",
                time_utc=run.start_utc,
                amount=1.0,
                unit="run",
                problem=f'"{run.activity}" (slot {run.slot}) exceeds {MOST_A_DAY} runs on {day}',
                fix="move it to another day",
                platform=run.platform,
                activity=run.activity,
                slots=(run.slot,),
            )


environment = obsplan.with_rule(environment, "few a day", few_a_day)

# %% The plan obeys both, and the check lists them among its rules
plan = obsplan.make_plan(environment, effort="low")
runs = plan.timeline[~plan.timeline["activity"].isin(list(scenario.sending_names))]
print(runs[["activity", "start_utc", "end_utc"]].to_string(index=False))
print(plan.verdict.summary)

# %% A plan made without them, checked with them
free = obsplan.make_plan(obsplan.make_environment(scenario), effort="low")
verdict = obsplan.check_timeline(environment, free.timeline)
print(verdict.summary)
print(verdict.violations[["rule", "slots", "message"]].head().to_string(index=False))

# %% The figure
figure = obsplan.plan_figure(plan)
figure
