"""Why no plan can hold: few rules that cannot be met together, in the user's own names.

Rules are dropped as long as what is left stays impossible; of what remains every one is
needed, since without it the others could be met.
"""

from collections.abc import Callable
from dataclasses import replace
from threading import Event

import numpy as np

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.replay import stamp
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem, exclusive_pairs
from obsplan.planning.problem.start_windows import condition_masks, start_masks
from obsplan.planning.problem.timeline_table import slots_table
from obsplan.planning.search.first_plan import counted, required_alone
from obsplan.planning.solver.bounds import relaxation
from obsplan.planning.solver.highs import is_impossible, loaded
from obsplan.planning.solver.model import model

# Rules by key: what kind, of which task or platform, and which of several.
Rules = dict[tuple, str]

# Whether so few runs have a place is mostly settled at the root of the search.
MOST_NODES = 500
MOST_STARTS = 2000
IN_WORDS = {
    "sun_elevation_deg": ("Sun elevation", " deg"),
    "sun_visible_fraction": ("visible fraction of the Sun", ""),
    "earth_elevation_deg": ("Earth elevation", " deg"),
    "earth_phase_deg": ("Earth phase", " deg"),
    "surface_temperature_k": ("surface temperature", " K"),
    "local_time_h": ("local time", " h"),
}


def why_no_place(environment: Environment, stop: Event | None = None) -> str:
    """Which rules leave the required runs no place, a minimal set; "" when none is found.

    Judged first with all the replay would forgive, so that what is named is impossible
    whatever the steps; else as the planner sees whole steps, which is said. In a large
    question the set is minimal for the linear relaxation. Once `stop` is set, what was
    proven by then is said, without the rules.
    """
    scenario = environment.scenario
    stop = stop or Event()
    for relaxed in (True, False):
        asked = required_alone(build_problem(environment, relaxed))
        starts = [_starts(environment, a) for a in scenario.activity]
        rules = _rules(scenario, asked, starts)

        def impossible(keys: set) -> bool:
            return _is_impossible(_under(asked, starts, keys), stop)

        if impossible(set(rules)):
            kept = minimal(list(rules), impossible)
            named = "; ".join(rules[key] for key in rules if key in kept)
            where, way_out = "", ""
            if not relaxed:
                where = f" in whole steps of {scenario.span.step_min} min"
                way_out = "; a shorter span.step_min may find a place"
            if stop.is_set():
                return (
                    f"the required runs are impossible together{where}, by which rules was "
                    f"not found in time{way_out}"
                )
            # A relaxation that could be met does not show that there is a plan.
            rest = "" if _is_large(asked) else _any_one(kept)
            return f"impossible together{where}: {named}{rest}{way_out}"
    return ""


def _any_one(kept: set) -> str:
    return "; without any one of these the rest could be met" if len(kept) > 1 else ""


def minimal(rules: list, impossible: Callable[[set], bool]) -> set:
    """A minimal set of `rules` that are still impossible together, as all of them are.

    Whole halves are dropped at once where that can be, so that few questions are asked.
    Those whose answer is not known within the limits of the search count as possible.
    """
    kept = set(rules)

    def sift(block: list) -> None:
        if impossible(kept - set(block)):
            kept.difference_update(block)
        elif len(block) > 1:
            sift(block[: len(block) // 2])
            sift(block[len(block) // 2 :])

    # From the last: what is listed first is what a reader would rather be told.
    sift(rules[::-1])
    return kept


def _is_impossible(asked: Problem, stop: Event) -> bool:
    """Whether it is proven that no plan meets all that is asked; no more once `stop` is set.

    What is too large to branch on is judged by the safe bound on how many of the required
    runs any plan can have, which proves less but is quick.
    """
    if stop.is_set():
        return False
    if _is_large(asked):
        required = sum(task.must for task in asked.tasks)
        return relaxation(counted(asked), stop).bound < required
    draft = model(asked)
    draft.cost[:] = 0.0
    solver = loaded(draft, mixed=True, mip_max_nodes=MOST_NODES)
    solver.run()
    return is_impossible(solver)


def _is_large(asked: Problem) -> bool:
    return sum(task.count > 0 for task in asked.tasks) * asked.steps > MOST_STARTS


def _starts(environment: Environment, activity: Activity) -> dict[str, np.ndarray]:
    masks = condition_masks(environment, activity)
    return start_masks(environment, activity, masks)


def _rules(scenario: Scenario, asked: Problem, starts: list[dict[str, np.ndarray]]) -> Rules:
    """Every rule that bears on the required runs, with its words."""
    rules: Rules = {}
    tasks = {i: task for i, task in enumerate(asked.tasks) if task.count}
    for i, task in tasks.items():
        if task.must:
            times = f" {task.must} times" if task.must > 1 else ""
            rules["must", i] = f'"{task.name}" must run{times}'
    for i in tasks:
        activity = scenario.activity[i]
        for key in starts[i].keys() - {"span"}:
            rules["when", i, key] = f'"{activity.name}" {_condition(scenario, activity, key)}'
        if activity.gap_min:
            rules["gap", i] = f'gap of "{activity.name}" {activity.gap_min} min'
        for k, after in enumerate(activity.after):
            settled = f", settled {after.settle_min} min" if after.settle_min else ""
            rules["after", i, k] = f'"{activity.name}" after "{after.activity}"{settled}'
    for i, j in sorted(exclusive_pairs(scenario)):
        if i in tasks and j in tasks:
            rules["apart", i, j] = _apart(scenario, scenario.activity[i], scenario.activity[j])
    for n, platform in enumerate(scenario.platform):
        rules |= _limits(n, platform)
    # Words of a set come in no order of their own.
    order = list(dict.fromkeys(key[0] for key in rules))
    return dict(sorted(rules.items(), key=lambda rule: (order.index(rule[0][0]), rule[0][1:])))


def _condition(scenario: Scenario, activity: Activity, key: str) -> str:
    if key in IN_WORDS:
        (what, unit), (low, high) = IN_WORDS[key], getattr(activity.when, key)
        return f"only with {what} {low:g} to {high:g}{unit}"
    if key == "in_magnetotail":
        return f"only {'in' if activity.when.in_magnetotail else 'outside'} the magnetotail"
    if key.startswith("ground"):
        low, high = activity.when.ground.temperature_k
        return f"only with {key} {low:g} to {high:g} K"
    return {
        "contact": "in contact all through",
        "contact at the start": "in contact at its start",
        "uplink": f"commanded in a contact {scenario.command_lead_min(activity)} min before",
        "coverage": "only within the bins of its coverage",
    }.get(key, f"only while {key}")


def _apart(scenario: Scenario, a: Activity, b: Activity) -> str:
    """Why two activities may not overlap."""
    instrument = next(i for i in scenario.instrument if i.name == a.instrument)
    if a.instrument == b.instrument and instrument.one_at_a_time:
        return f'"{a.name}" and "{b.name}" not at once (one slot of "{a.instrument}" at a time)'
    for quiet, loud in ((a, b), (b, a)):
        if loud.name in quiet.not_with:
            return f'"{quiet.name}" not with "{loud.name}"'
        if quiet.quiet and loud.disturbs:
            return f'"{quiet.name}" is quiet and "{loud.name}" disturbs'
    where = instrument.platform
    return f'"{a.name}" and "{b.name}" not at once (one slot on "{where}" at a time)'


def _limits(n: int, platform: Platform) -> Rules:
    name, battery, store = platform.name, platform.battery, platform.store
    capacity_wh = battery.capacity_wh
    rules = {
        ("bus", n): f'bus limit of "{name}" {platform.bus_limit_w:g} W',
        ("reserve", n): f'battery reserve of "{name}" {battery.reserve * capacity_wh:g} Wh',
        ("store", n): f'store of "{name}" {store.capacity_mbit:g} Mbit',
        ("link", n): f'data of "{name}" leave in contact only',
    }
    if battery.end is not None:
        rules["end", n] = f'end charge of "{name}" {battery.end * capacity_wh:g} Wh'
    if store.end_limit_mbit is not None:
        rules["end store", n] = f'end storage of "{name}" {store.end_limit_mbit:g} Mbit'
    return rules


def _under(asked: Problem, starts: list[dict[str, np.ndarray]], keys: set) -> Problem:
    """`asked` with nothing but the rules of `keys`."""
    tasks = tuple(
        replace(
            task,
            must=task.must if ("must", i) in keys else 0,
            gap=task.gap if ("gap", i) in keys else 0,
            earlier=tuple(o for k, o in enumerate(task.earlier) if ("after", i, k) in keys),
            starts=np.logical_and.reduce(
                [np.full(asked.steps, task.count > 0)]
                + [m for key, m in starts[i].items() if key == "span" or ("when", i, key) in keys]
            ),
        )
        for i, task in enumerate(asked.tasks)
    )
    data_mbit = sum(node.store_start_mbit for node in asked.nodes)
    data_mbit += sum(task.count * task.data_mbit.sum() for task in asked.tasks)
    # Limits that nothing reaches rather than none, so that a bound stays finite.
    all_w = sum(task.peak_w.max() + task.load_w.max() for task in asked.tasks)
    nodes = []
    for n, node in enumerate(asked.nodes):
        most_w = all_w + node.transmit_w + max(node.base_peak_w.max(), node.base_w.max())
        drawn_wh = most_w * asked.steps * asked.step_h / node.discharge_efficiency
        reserve_wh = node.reserve_wh if ("reserve", n) in keys else -drawn_wh
        store_mbit = node.store_mbit if ("store", n) in keys else node.store_mbit + data_mbit
        node = replace(
            node,
            bus_limit_w=node.bus_limit_w if ("bus", n) in keys else most_w,
            reserve_wh=reserve_wh,
            end_wh=node.end_wh if ("end", n) in keys else reserve_wh,
            store_mbit=store_mbit,
            store_end_mbit=node.store_end_mbit if ("end store", n) in keys else store_mbit,
        )
        if ("link", n) not in keys:
            node = replace(
                node,
                send_mbit=np.maximum(node.send_mbit, data_mbit),
                send_share=np.zeros(asked.steps),
                transmit_w=0.0,
                station=np.full(asked.steps, -1),
            )
        nodes.append(node)
    pairs = frozenset(pair for pair in asked.exclusive if ("apart", *pair) in keys)
    return replace(asked, tasks=tasks, nodes=tuple(nodes), exclusive=pairs)


# --- a platform that cannot even idle


def why_not_idle(environment: Environment) -> str:
    """What breaks with nothing planned at all, by how much, when and why; "" if nothing does."""
    scenario = environment.scenario
    idle = check_timeline(environment, slots_table(scenario, []))
    lasting = idle.violations[~idle.violations["rule"].isin(["must", "count"])]
    lines = [f"with no slot at all: {message}" for message in lasting["message"]]
    for platform in scenario.platform:
        lines += _why_short(environment, idle, platform)
    return "\n".join(lines)


def _why_short(environment: Environment, idle: Verdict, platform: Platform) -> list[str]:
    """Where the energy of a platform goes, and what asks too much; none if it lasts."""
    short = _energy_short(idle, platform)
    if short.empty:
        return []
    rules = _idle_rules(platform)

    def too_much(keys: set) -> bool:
        return len(_energy_short(_idling(environment, platform, keys), platform)) > 0

    kept = minimal(list(rules), too_much)
    named = "; ".join(rules[key] for key in rules if key in kept)
    worst = short.loc[short["amount"].idxmax()]
    return [
        _account(environment, idle, platform, worst["time_utc"]),
        f"impossible together: {named}{_any_one(kept)}",
    ]


def _energy_short(verdict: Verdict, platform: Platform):
    """The broken rules of the platform's battery."""
    broken = verdict.violations
    named = broken["message"].str.contains(f'"{platform.name}"', regex=False)
    return broken[broken["rule"].isin(["state of charge", "end charge"]) & named]


def _idle_rules(platform: Platform) -> Rules:
    name, heater = platform.name, platform.heater
    rules = {("idle",): f'idle load of "{name}" {platform.idle_w:g} W'}
    if heater is not None:
        rules["heater",] = f'heater of "{name}" {heater.power_w:g} W below {heater.below_k:g} K'
    limits = _limits(0, platform)
    return rules | {key[:1]: limits[key] for key in (("reserve", 0), ("end", 0)) if key in limits}


def _loads_w(environment: Environment, platform: Platform) -> tuple[np.ndarray, np.ndarray]:
    """Idle load and heater, each in watts by the minute."""
    base_w = environment.platforms[platform.name]["base_load_w"].to_numpy(dtype=float)
    idle_w = base_w if platform.heater is None else np.minimum(base_w, platform.idle_w)
    return idle_w, base_w - idle_w


def _idling(environment: Environment, platform: Platform, keys: set) -> Verdict:
    """The replay of no slot, with nothing but the rules of `keys` on the platform's battery."""
    battery = platform.battery.model_copy(
        update={
            "reserve": platform.battery.reserve if ("reserve",) in keys else 0.0,
            "end": platform.battery.end if ("end",) in keys else None,
        }
    )
    idle_w, heater_w = _loads_w(environment, platform)
    load_w = idle_w * (("idle",) in keys) + heater_w * (("heater",) in keys)
    table = environment.platforms[platform.name].assign(base_load_w=load_w)
    return check_timeline(
        replace(
            environment,
            scenario=environment.scenario.with_part("platform", platform.name, battery=battery),
            platforms=environment.platforms | {platform.name: table},
        ),
        slots_table(environment.scenario, []),
    )


def _account(environment: Environment, idle: Verdict, platform: Platform, at_utc) -> str:
    """Where the energy went, from when the battery was last full until it was short."""
    scenario = environment.scenario
    table = idle.resources[platform.name]
    stored_wh = table["stored_wh"].to_numpy()
    end = int(np.searchsorted(table.index, at_utc))
    # At the end of the span there is no further row.
    end = min(end, len(table))
    full = np.flatnonzero(stored_wh[:end] >= platform.battery.capacity_wh - 1e-6)
    first = int(full[-1]) if len(full) else 0
    while end < len(table) and stored_wh[end] < stored_wh[end - 1]:
        end += 1
    taken = slice(first, end)
    idle_w, heater_w = (load[taken].sum() / 60 for load in _loads_w(environment, platform))
    loads = f"idling takes {idle_w:.1f} Wh" + (
        f" and the heater {heater_w:.1f} Wh" if platform.heater is not None else ""
    )
    yield_wh = max(0.0, table["generation_w"].to_numpy()[taken].sum() / 60)
    visible = environment.sky["sun_visible_fraction"].to_numpy(dtype=float)[taken]
    dark_h = (visible <= 0).sum() / 60
    hidden = "below the skyline or behind the Earth"
    dark = f"; for {dark_h:.1f} h of that the Sun is {hidden}" if dark_h else ""
    return (
        f'"{platform.name}" from {stamp(scenario, first)} to {stamp(scenario, end)}: {loads}; its '
        f"battery begins with {max(0.0, stored_wh[first]):.1f} Wh and its arrays give "
        f"{yield_wh:.1f} Wh{dark}"
    )
