"""On which lunar day should we land?

Run it as `python examples/which_day.py [scenario.toml]`, or cell by cell.
"""

# %%
import sys
from datetime import timedelta
from importlib.resources import files

import obsplan

given = [word for word in sys.argv[1:] if word.endswith(".toml")]
path = given[0] if given else files("obsplan.examples") / "minimal.toml"
scenario = obsplan.read_scenario(path)

# %% Lunar days a month before and after the span, ranked by useful light.
# planned=True would run the planner for each and rank them by value instead.
month = timedelta(days=30)
first_utc, last_utc = scenario.span.start_utc - month, scenario.span.end_utc + month
choice = obsplan.landing_days(scenario, first_utc, last_utc)
columns = [
    "rank",
    "lunar_day",
    "landing_opens_utc",
    "daylight_remaining_h",
    "useful_light_h",
    "notes",
]
print(choice.table[columns].head().to_string(index=False))

# %% The figure
figure = obsplan.days_figure(scenario, choice)
figure
