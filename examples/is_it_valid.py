"""Is a timeline still valid after editing it by hand?

Run it as `python examples/is_it_valid.py [scenario.toml]`, or cell by cell.
"""

# %%
import sys
from dataclasses import replace
from importlib.resources import files

import pandas as pd

import obsplan

given = [word for word in sys.argv[1:] if word.endswith(".toml")]
path = given[0] if given else files("obsplan.examples") / "minimal.toml"
scenario = obsplan.read_scenario(path)
environment = obsplan.make_environment(scenario)

# %% A plan, and an edit: its second run starts five hours earlier
plan = obsplan.make_plan(environment, effort="low")
edited = plan.timeline.copy()
moved = edited.index[~edited["activity"].isin(list(scenario.sending_names))][1]
edited.loc[moved, ["start_utc", "end_utc"]] -= pd.Timedelta(hours=5)

# %% The check names every broken rule and the smallest margins
verdict = obsplan.check_timeline(environment, edited)
print(verdict.summary)
print(verdict.violations[["rule", "time_utc", "message"]].head().to_string(index=False))
print(verdict.margins.head().to_string(index=False))

# %% The figure: charge, power, stored and sent data over the limits
figure = obsplan.resources_figure(replace(plan, timeline=edited, verdict=verdict))
figure
