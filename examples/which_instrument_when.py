"""Which instrument runs when?

Run it as `python examples/which_instrument_when.py [scenario.toml]`, or cell by cell.
"""

# %%
import sys
from importlib.resources import files

import obsplan

given = [word for word in sys.argv[1:] if word.endswith(".toml")]
path = given[0] if given else files("obsplan.examples") / "minimal.toml"
scenario = obsplan.read_scenario(path)
environment = obsplan.make_environment(scenario)

# %% The plan, confirmed by an independent replay
plan = obsplan.make_plan(environment)
columns = ["slot", "activity", "start_utc", "end_utc", "value"]
print(plan.timeline[columns].head().to_string(index=False))
print(f"value {plan.value:.1f}, upper bound {plan.bound:.1f}")

# %% What did not fit, and a change that would let it fit
print(plan.unplaced.to_string(index=False))

# %% The figure; in a notebook, `plan` alone in a cell shows figure and tables
# (figures by themselves need %matplotlib inline first)
figure = obsplan.plan_figure(plan)
figure
