"""Where a scenario takes place, in words."""

from obsplan.inputs.scenario import Scenario


def place_name(scenario: Scenario) -> str:
    """The name of the site, or which platforms are in orbit if there is none."""
    if scenario.site is not None:
        return scenario.site.name
    return f"{', '.join(p.name for p in scenario.platform)} in orbit about the Moon"


def place_text(scenario: Scenario) -> str:
    """The same, a site with its coordinates."""
    site = scenario.site
    if site is None:
        return place_name(scenario)
    north, east = site.latitude_deg, (site.longitude_deg + 180) % 360 - 180
    return (
        f"{site.name}, {abs(north):g}° {'S' if north < 0 else 'N'} "
        f"{abs(east):g}° {'W' if east < 0 else 'E'}"
    )
