"""Another value of a key in the scenario: its words, and the environment in which it is so.

Advice is a change that was tried, so it is the same object that is tried and that is told.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from obsplan.environment.contacts import relay_columns
from obsplan.environment.model import GENERATION, Environment, generation_column
from obsplan.environment.power_columns import generation_w, power_columns
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.hardware import Platform
from obsplan.inputs.placed import redriven, revalued
from obsplan.inputs.stop import Stop

# Keys of a platform that its power by the minute follows from.
POWER_KEYS = ("array", "idle_w", "heater")


@dataclass(frozen=True)
class KeyChange:
    """Another value of a key.

    kind: "activity", "platform", "instrument" or "stop", and name: which of them; or "span",
    without a name. path: the keys that lead to the value; in a list of tables, as `after`, the
    second is the activity that a table names. old, new: the values; new is None if the key is to
    be removed. A list of arrays has a value for each.
    """

    kind: str
    name: str
    path: tuple[str, ...]
    old: Any
    new: Any

    def __str__(self) -> str:
        if self.new is None:
            return f"remove {self.key} (now {_text(self.old)})"
        return f"set {self.key} to {_text(self.new)} (now {_text(self.old)})"

    @property
    def as_if(self) -> str:
        """The change as a condition, after "if"."""
        if self.new is None:
            return f"there were no {self.key} (now {_text(self.old)})"
        return f"{self.key} were {_text(self.new)} (now {_text(self.old)})"

    @property
    def key(self) -> str:
        """The key in words, with where it stands."""
        key = ".".join(self.path)
        if len(self.path) == 3:
            key = f'{self.path[2]} after "{self.path[1]}"'
        return f'{key} of {self.kind} "{self.name}"' if self.name else f"{self.kind}.{key}"


def _text(value: Any) -> str:
    """A value as it stands in a scenario."""
    if isinstance(value, tuple):
        return f"[{', '.join(map(_text, value))}]"
    if isinstance(value, FrozenModel):
        keys = value.model_dump(exclude_unset=True)
        return f"{{ {', '.join(f'{key} = {_text(v)}' for key, v in keys.items())} }}"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    # All digits: the value that is told is the one that was tried.
    return "none" if value is None else f"{value:.12g}"


def changed(environment: Environment, *changes: KeyChange) -> Environment:
    """The environment in which keys of its scenario have other values."""
    for change in changes:
        environment = _changed(environment, change)
    return environment


def _changed(environment: Environment, change: KeyChange) -> Environment:
    scenario = environment.scenario
    if not change.name:
        table = _updated(getattr(scenario, change.kind), change.path, change.new)
        return replace(environment, scenario=scenario.model_copy(update={change.kind: table}))
    part = next(p for p in getattr(scenario, change.kind) if p.name == change.name)
    updated = _updated(part, change.path, change.new)
    first = change.path[0]
    fields = {first: getattr(updated, first)}
    scenario = scenario.with_part(change.kind, change.name, **fields)
    if isinstance(part, Stop):
        return replace(environment, scenario=revalued(scenario, part))
    other = replace(environment, scenario=redriven(scenario) if first == "drive" else scenario)
    if not isinstance(part, Platform):
        return other
    table = environment.platforms[part.name]
    if first in POWER_KEYS:
        table = table.assign(**_power(environment, table, part, updated))
    if first == "radio":
        table = table.assign(**_link(environment, table, part, updated))
    return replace(other, platforms=environment.platforms | {part.name: table})


def _updated(part: Any, path: tuple[str, ...], value: Any) -> Any:
    """A copy of the part with another value at the end of the path."""
    key, *rest = path
    if not rest:
        return part.model_copy(update={key: value})
    inner = getattr(part, key)
    if isinstance(inner, FrozenModel):
        return part.model_copy(update={key: _updated(inner, tuple(rest), value)})
    if key == "array":
        values = value if isinstance(value, tuple) else (value,)
        return part.model_copy(
            update={key: tuple(_updated(a, tuple(rest), v) for a, v in zip(inner, values))}
        )
    tables = (
        _updated(table, tuple(rest[1:]), value) if table.activity == rest[0] else table
        for table in inner
    )
    return part.model_copy(update={key: tuple(tables)})


def _power(
    environment: Environment, table: pd.DataFrame, old: Platform, new: Platform
) -> dict[str, np.ndarray]:
    """Generation, base load and units; what telemetry knows of the arrays stays in proportion."""
    before, after = (
        power_columns(
            p,
            environment.sky_of(old.name),
            environment.scenario.folder,
            measured=environment.unit_readings,
        )
        for p in (old, new)
    )
    yields = {GENERATION: (before[GENERATION].to_numpy(), after[GENERATION].to_numpy())}
    for stop, columns in environment.stop_sky.items():
        if generation_column(stop) in table:
            sky = environment.sky.assign(**columns)
            was_w, is_w = (generation_w(p, sky, environment.scenario.folder) for p in (old, new))
            yields[generation_column(stop)] = was_w, is_w
    more_w = (after["base_load_w"] - before["base_load_w"]).to_numpy()
    units = {column: after[column].to_numpy() for column in after.columns[2:]}
    return units | {
        **{column: table[column].to_numpy() * _share(*both) for column, both in yields.items()},
        "base_load_w": table["base_load_w"].to_numpy() + more_w,
    }


def _share(was_w: np.ndarray, is_w: np.ndarray) -> np.ndarray:
    """What arrays yield (n,) over what they yielded; 1 where that was nothing."""
    return np.divide(is_w, was_w, out=np.ones(len(was_w)), where=was_w > 0)


def _link(
    environment: Environment, table: pd.DataFrame, old: Platform, new: Platform
) -> dict[str, np.ndarray]:
    """The link at another rate, or a relay in reach at another distance."""
    if old.radio.range_limit_m != new.radio.range_limit_m:
        minutes = environment.sky.index.tz_localize(None).to_numpy()
        return relay_columns(new, environment.in_contact(new.radio.to), minutes)
    factor = (new.radio.rate_kbps or 1.0) / (old.radio.rate_kbps or 1.0)
    return {"rate_kbps": table["rate_kbps"].to_numpy() * factor}
