"""Which of these sites and lunar days is best?

Run it as `python examples/which_site.py [scenario.toml] [sites.csv]`, or cell by cell.
"""

# %%
import sys
from datetime import timedelta
from importlib.resources import files

import obsplan

examples = files("obsplan.examples")
given = [word for word in sys.argv[1:] if word.endswith(".toml")]
listed = [word for word in sys.argv[1:] if word.endswith(".csv")]
scenario = obsplan.read_scenario(given[0] if given else examples / "minimal.toml")
places = obsplan.read_sites(listed[0] if listed else examples / "sites.csv")  # invented sites

# %% Every lunar day of every site, a month before and after the span; one process is enough
month = timedelta(days=30)
first_utc, last_utc = scenario.span.start_utc - month, scenario.span.end_utc + month
table = obsplan.survey_sites(scenario, places, first_utc, last_utc, jobs=1)
columns = ["rank", "name", "lunar_day", "landing_opens_utc", "useful_light_h", "notes"]
print(table.sort_values("rank")[columns].head().to_string(index=False))

# %% The figure: each site on its best day
figure = obsplan.survey_map(scenario.title, table)
figure
