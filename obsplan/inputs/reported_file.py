"""What telemetry has reported up to a plan: kept beside its timeline, and where the next goes on.

It is a telemetry file itself, without slots: what became of them stands in the timeline.
"""

import json
from datetime import datetime
from pathlib import Path

from obsplan.common.instants import full_stamp
from obsplan.inputs.earlier_states import told, with_times
from obsplan.inputs.read_state import read_state
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.telemetry_file import State

REPORTED = "reported.toml"
HEAD = """\
# What telemetry has reported up to this plan. The next replan of it goes on from here, and so do
# check and compare. `obsplan keys telemetry` explains the keys; slots are told by timeline.csv.
"""


def reported_beside(
    timeline: str | Path, scenario: Scenario, now_utc: datetime | None = None
) -> State | None:
    """What was reported up to the plan whose timeline this is; None if nothing was.

    Raises StateError as `read_state` does.
    """
    path = Path(timeline).with_name(REPORTED)
    return read_state(path, scenario, now_utc) if path.exists() else None


def reported_text(state: State) -> str:
    """A state as the file that the next replan reads, the same characters every time."""
    state = with_times(state)
    lines = [HEAD + f"at_utc = {_toml(state.at_utc)}"]
    for table in ("platform", "unit", "instrument", "station"):
        for part in dict.fromkeys(getattr(state, table)):
            lines.append(f"\n[[{table}]]")
            lines += [f"{key} = {_toml(value)}" for key, value in told(part).items()]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, datetime):
        return full_stamp(value)
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
