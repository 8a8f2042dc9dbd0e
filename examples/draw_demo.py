"""The demo from Python: physics, plan, check and figures, on pandas tables.

Run it from anywhere: `python examples/draw_demo.py [directory for the figures]`.
"""

# %%
import sys
from pathlib import Path

import obsplan

here = Path(__file__).parent
out = Path(sys.argv[1]) if len(sys.argv) > 1 else here

scenario = obsplan.read_scenario(here / "demo.toml")
environment = obsplan.make_environment(scenario)
print(environment.events.to_string(index=False))

# %% Where the Sun and the Earth are, and when Earth can be reached
obsplan.save_figure(obsplan.sky_figure(environment), out / "demo-sky.png")
obsplan.save_figure(obsplan.link_figure(environment), out / "demo-link.png")

# %% The plan
plan = obsplan.make_plan(environment, report=print)
print(f"value {plan.value:.1f}, upper bound {plan.bound:.1f}")
print(plan.unplaced.to_string(index=False))
obsplan.save_figure(obsplan.plan_figure(plan), out / "demo-plan.png")

# %% The check of a timeline without a slot that others wait for
without = plan.timeline[plan.timeline["activity"] != "seismometer levelling"]
verdict = obsplan.check_timeline(environment, without)
print(verdict.summary)
