"""Checks across the tables of a scenario about teams, and about who needs them."""

from collections.abc import Iterator
from typing import Any

from obsplan.common.text import did_you_mean, shortened
from obsplan.inputs.error_text import shown

Table = dict[str, Any]


def team_errors(teams: list[Table], activities: list[Table]) -> Iterator[str]:
    """One line for every team with hours and shifts, and for every need of no such team."""
    for team in teams:
        if team.get("hours_utc") and team.get("shifts") is not None:
            yield f'team "{shortened(team["name"])}": give either hours_utc or shifts'
    names = [team["name"] for team in teams]
    for activity in activities:
        needs = activity.get("needs")
        where = f'activity "{shortened(activity["name"])}".needs'
        found: list[str] = []
        for name in needs if isinstance(needs, list | tuple) else ():
            if not isinstance(name, str):
                continue
            if name not in names:
                yield f"{where} = {shown(name)}: no such team; {did_you_mean(name, names)}"
            elif name in found:
                yield f"{where} = {shown(name)}: named twice"
            found.append(name)
