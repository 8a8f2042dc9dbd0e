"""A platform that runs out of energy with nothing planned at all: where its energy goes."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.resource_rules import RESOURCE_RULES
from obsplan.checking.temperature_rules import SURVIVAL
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.margins import Margins
from obsplan.planning.problem.temperature_starts import levels_at_best
from obsplan.planning.problem.timeline_table import slots_table
from obsplan.planning.reasons.conflicts import Conflict, end_charge_words, reserve_words
from obsplan.planning.reasons.minimal_set import minimal

FULL_WH = 1e-6


@dataclass(frozen=True)
class EnergyBalance:
    """Energy of an idling platform from its last full battery until its battery is short.

    heater_wh is None for a platform without heaters; dark_h are hours without any Sun.
    """

    platform: str
    start_utc: str
    end_utc: str
    idle_wh: float
    heater_wh: float | None
    stored_wh: float
    generated_wh: float
    dark_h: float

    def __str__(self) -> str:
        heater = "" if self.heater_wh is None else f" and heating {self.heater_wh:.1f} Wh"
        dark = (
            f"; for {self.dark_h:.1f} h of that the Sun is below the skyline or behind the Earth"
            if self.dark_h
            else ""
        )
        return (
            f'"{self.platform}" from {self.start_utc} to {self.end_utc}: idling takes '
            f"{self.idle_wh:.1f} Wh{heater}; its battery begins with {self.stored_wh:.1f} Wh and "
            f"its arrays give {self.generated_wh:.1f} Wh{dark}"
        )


def idle_verdict(environment: Environment) -> Verdict:
    """The replay with nothing planned at all, with those violations alone that no plan mends."""
    idle = _replay_idle(environment, fixes=True)
    return replace(idle, found=tuple(_lasting(environment, idle)))


def why_not_idle(environment: Environment) -> str:
    """What breaks with nothing planned at all, by how much, when and why; "" if nothing does."""
    idle = _replay_idle(environment, fixes=True)
    lines = [
        f"with no slot at all: {violation.message}" for violation in _lasting(environment, idle)
    ]
    for platform in environment.scenario.platform:
        short = _energy_short(idle, platform)
        if short:
            worst = max(short, key=lambda violation: violation.amount)
            lines.append(str(_balance(environment, idle, platform, worst.time_utc)))
            lines.append(str(_conflict(environment, platform)))
    return "\n".join(lines)


def _replay_idle(environment: Environment, fixes: bool = False) -> Verdict:
    slots = slots_table(environment.scenario, [])
    return check_timeline(environment, slots, fixes=fixes, keep_margins=True)


def _lasting(environment: Environment, idle: Verdict) -> list[Violation]:
    """What no plan mends; the heat of runs may keep a unit alive that idling lets freeze."""
    return [
        violation
        for violation in idle.found
        if violation.rule in RESOURCE_RULES
        or (violation.rule == SURVIVAL and _is_lost(environment, violation.platform))
    ]


def _is_lost(environment: Environment, platform: str) -> bool:
    """Whether a unit leaves its surviving range whatever runs."""
    for unit in environment.scenario.platform_named(platform).unit:
        if unit.surviving_k is None:
            continue
        levels, (low_k, high_k) = levels_at_best(environment, unit), unit.surviving_k
        if (levels.lower_k < low_k).any() or (levels.upper_k > high_k).any():
            return True
    return False


def _energy_short(verdict: Verdict, platform: Platform) -> list[Violation]:
    """The broken rules of the platform's battery."""
    return [v for v in verdict.found if v.platform == platform.name and v.unit == "Wh"]


def _conflict(environment: Environment, platform: Platform) -> Conflict:
    """A minimal set of loads and limits that the platform's energy cannot meet together."""
    rules = dict(_rules(platform))

    def infeasible(keys: set[str]) -> bool:
        return bool(_energy_short(_under(environment, platform, keys), platform))

    kept = minimal(list(rules), infeasible)
    named = tuple(words for key, words in rules.items() if key in kept)
    return Conflict(named, step_min=None)


def _rules(platform: Platform) -> Iterator[tuple[str, str]]:
    """Loads and limits on the energy of an idling platform: key and words of each."""
    yield "idle", f'idle load of {platform.idle_w:g} W on "{platform.name}"'
    if (heater := platform.heater) is not None:
        words = f'heater of {heater.power_w:g} W below {heater.below_k:g} K on "{platform.name}"'
        yield "heater", words
    elif platform.unit:
        yield "heater", f'heaters of the units of "{platform.name}"'
    yield "reserve", reserve_words(platform)
    if platform.battery.end is not None:
        yield "end charge", end_charge_words(platform)


def _under(environment: Environment, platform: Platform, keys: set[str]) -> Verdict:
    """The replay of no slot, with only the rules of `keys` on the platform's energy."""
    battery = platform.battery.model_copy(
        update={
            "reserve": platform.battery.reserve if "reserve" in keys else 0.0,
            "end": platform.battery.end if "end charge" in keys else None,
        }
    )
    idle_w, heater_w = _loads_w(environment, platform)
    load_w = idle_w * ("idle" in keys) + heater_w * ("heater" in keys)
    table = environment.platforms[platform.name].assign(base_load_w=load_w)
    margins = platform.margins if "reserve" in keys else Margins()
    return _replay_idle(
        replace(
            environment,
            scenario=environment.scenario.with_part(
                "platform", platform.name, battery=battery, margins=margins
            ),
            platforms=environment.platforms | {platform.name: table},
        )
    )


def _loads_w(environment: Environment, platform: Platform) -> tuple[np.ndarray, np.ndarray]:
    """Idle load and heater, each in watts by the minute."""
    base_w = environment.platforms[platform.name]["base_load_w"].to_numpy(dtype=float)
    idle_w = np.minimum(base_w, platform.idle_w) if _heats(platform) else base_w
    return idle_w, base_w - idle_w


def _heats(platform: Platform) -> bool:
    return platform.heater is not None or bool(platform.unit)


def _balance(
    environment: Environment, idle: Verdict, platform: Platform, short_utc: datetime
) -> EnergyBalance:
    """Where the energy went, from when the battery was last full until it was short."""
    scenario = environment.scenario
    table = idle.resources[platform.name]
    stored_wh = table["stored_wh"].to_numpy()
    # There is no row for the end of the span.
    end = min(int(table.index.searchsorted(pd.Timestamp(short_utc))), len(table))
    full = np.flatnonzero(stored_wh[:end] >= platform.battery.usable_wh - FULL_WH)
    first = int(full[-1]) if len(full) else 0
    while end < len(table) and stored_wh[end] < stored_wh[end - 1]:
        end += 1
    taken = slice(first, end)
    idle_wh, heater_wh = (w[taken].sum() / 60 for w in _loads_w(environment, platform))
    sky_table = environment.sky_of(platform.name)
    sunlit = sky_table["sun_visible_fraction"].to_numpy(dtype=float)[taken] > 0
    return EnergyBalance(
        platform=platform.name,
        start_utc=scenario.stamp_at(first),
        end_utc=scenario.stamp_at(end),
        idle_wh=idle_wh,
        heater_wh=heater_wh if _heats(platform) else None,
        stored_wh=max(0.0, stored_wh[first]),
        generated_wh=max(0.0, table["generation_w"].to_numpy()[taken].sum() / 60),
        dark_h=(~sunlit).sum() / 60,
    )
