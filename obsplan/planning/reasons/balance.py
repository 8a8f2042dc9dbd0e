"""What the runs need of energy, downlink and storage, against what each platform has."""

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.hardware import Platform
from obsplan.inputs.requested_runs import requested_counts
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.supplies import supplies_of

BALANCE_COLUMNS = ("platform", "resource", "unit", "required", "requested", "available")


def balance(environment: Environment) -> pd.DataFrame:
    """What all required and all requested runs need of each platform, and what is available.

    Rows per platform: energy (idling and sending included; of the battery the usable part), link
    (data that cannot stay on board), and storage (data gathered in the longest contact gap, at the
    mean rate of the runs). Available energy ignores losses and spilling, and the available link
    ignores that platforms share stations, so needs above these are infeasible. Margins that the
    plan keeps are not available. Runs that any of several activities may make for a goal count once
    (see `requested_counts`).
    """
    scenario = environment.scenario
    rows = []
    counts = {
        "must": {a.name: float(a.must) for a in scenario.activity},
        "count": requested_counts(scenario),
    }
    send_mbit = {which: _to_send_mbit(scenario, runs) for which, runs in counts.items()}
    span_h = scenario.steps * scenario.span.step_min / 60
    for platform in scenario.platform:
        table = environment.platforms[platform.name]
        rate_kbps = table["rate_kbps"].to_numpy(dtype=float)
        battery, supplies = platform.battery, supplies_of(platform)
        available_wh = table["generation_w"].sum() / 60
        available_wh += battery.start * battery.usable_wh - supplies.end_wh
        gaps = intervals.from_mask(rate_kbps <= 0)
        gap_h = float(np.diff(gaps).max(initial=0)) / 60
        needed = {}
        for which, runs in counts.items():
            sent = send_mbit[which][platform.name]
            idle_wh = table["base_load_w"].sum() / 60
            needed["energy", which] = idle_wh + _sending_wh(platform, rate_kbps, sent)
            needed["energy", which] += _runs_wh(scenario, platform, runs)
            needed["link", which] = sent
            yielded = _runs_mbit(scenario, platform, runs)
            needed["storage", which] = yielded * gap_h / span_h
        available = {
            "energy": (available_wh, "Wh"),
            "link": (supplies.link * rate_kbps.sum() * 60 / 1000, "Mbit"),
            "storage": (supplies.store_mbit, "Mbit"),
        }
        rows += [
            (platform.name, key, unit, needed[key, "must"], needed[key, "count"], amount)
            for key, (amount, unit) in available.items()
        ]
    return pd.DataFrame(rows, columns=list(BALANCE_COLUMNS))


def on_platform(scenario: Scenario, platform: Platform) -> list[Activity]:
    """The activities whose instruments are on the platform."""
    return [a for a in scenario.activity if scenario.platform_of(a) == platform.name]


def _runs_mbit(scenario: Scenario, platform: Platform, runs: dict[str, float]) -> float:
    return sum(runs[a.name] * a.data_mbit for a in on_platform(scenario, platform))


def _runs_wh(scenario: Scenario, platform: Platform, runs: dict[str, float]) -> float:
    return sum(
        runs[a.name] * (a.warm_up_min * a.warm_up_w + a.duration_min * a.power_w) / 60
        for a in on_platform(scenario, platform)
    )


def _sending_wh(platform: Platform, rate_kbps: np.ndarray, sent_mbit: float) -> float:
    """The least energy to send `sent_mbit` from the platform, all at its best rate."""
    best_kbps = rate_kbps.max(initial=0.0)
    return platform.radio.transmit_w * sent_mbit * 1000 / best_kbps / 3600 if best_kbps else 0.0


def _to_send_mbit(scenario: Scenario, runs: dict[str, float]) -> dict[str, float]:
    """Per platform, the data that its runs yield or that it relays and that must be sent."""
    sent: dict[str, float] = {}
    # A relay also sends the data of others, so those come first.
    for platform in sorted(scenario.platform, key=lambda p: p.radio.to == "earth"):
        held = platform.store.start_mbit
        held += _runs_mbit(scenario, platform, runs)
        held += sum(sent[p.name] for p in scenario.platform if p.radio.to == platform.name)
        sent[platform.name] = max(0.0, held - supplies_of(platform).store_end_mbit)
    return sent
