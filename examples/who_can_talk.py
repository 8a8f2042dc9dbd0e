"""When can we talk to Earth, and how much can we send?

Run it as `python examples/who_can_talk.py [scenario.toml]`, or cell by cell.
"""

# %%
import sys
from importlib.resources import files

import obsplan

given = [word for word in sys.argv[1:] if word.endswith(".toml")]
path = given[0] if given else files("obsplan.examples") / "minimal.toml"
scenario = obsplan.read_scenario(path)
environment = obsplan.make_environment(scenario)

# %% Contacts from acquisition to loss
columns = ["station", "acquisition_utc", "loss_utc", "duration_min", "volume_mbit"]
print(environment.contacts[columns].head().to_string(index=False))

# %% What a platform could send over the span, if it had the energy
for platform in scenario.platform:
    table = environment.platforms[platform.name]
    sent_mbit = table["rate_kbps"].sum() * 60 / 1000
    share = table["in_contact"].mean()
    print(
        f"{platform.name}: in contact with Earth for {100 * share:.0f} % of the span; "
        f"up to {sent_mbit:.0f} Mbit to {platform.radio.to}"
    )

# %% The figure
figure = obsplan.link_figure(environment)
figure
