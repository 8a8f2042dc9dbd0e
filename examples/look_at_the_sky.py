"""Where are the Sun and the Earth, and how warm is the ground?

Run it as `python examples/look_at_the_sky.py [scenario.toml]`, or cell by cell.
"""

# %%
import sys
from importlib.resources import files

import obsplan

given = [word for word in sys.argv[1:] if word.endswith(".toml")]
path = given[0] if given else files("obsplan.examples") / "minimal.toml"
scenario = obsplan.read_scenario(path)
environment = obsplan.make_environment(scenario)

# %% Events: first and last light, eclipses
events = environment.events
nothing = "no first or last light and no eclipse within the span"
print(events.to_string(index=False) if len(events) else nothing)

# %% The sky table has one row per minute; here one every six hours
columns = ["sun_elevation_deg", "sun_azimuth_deg", "earth_elevation_deg", "surface_temperature_k"]
print(environment.sky[columns].iloc[::360].head().round(1).to_string())

# %% The figure
figure = obsplan.sky_figure(environment)
figure
