"""Figures of a surface stay, from touchdown to the last light of its lunar day.

For a day without a landing window they are those of its daylight; for one without daylight
those of the whole lunar day.
"""

from functools import reduce
from itertools import combinations
from typing import NamedTuple

import numpy as np

from obsplan.common import intervals
from obsplan.environment.contacts import LEAST_RATE_KBPS
from obsplan.inputs.hardware import Platform
from obsplan.inputs.requested_runs import requested_counts
from obsplan.inputs.scenario import Scenario
from obsplan.survey.day_columns import FIGURE_COLUMNS
from obsplan.survey.lunar_days import SCAN_S, clipped
from obsplan.survey.site_course import SiteCourse

# What a late or off-target landing changes.
TOUCHDOWN_COLUMNS = [
    "daylight_remaining_h",
    "contact_h",
    "sunlight_lost_h",
    "energy_share",
    "link_share",
    "useful_light_h",
]


class Day(NamedTuple):
    """A lunar day at a site: number, ends, and windows clipped to it (int64 seconds)."""

    number: int
    begin_s: int
    noon_s: int
    end_s: int
    light: np.ndarray
    landing: np.ndarray

    @property
    def last_s(self) -> int:
        """Last light; the end of the day if the Sun does not set, or does not rise."""
        return int(self.light[-1, 1]) if len(self.light) else self.end_s

    @property
    def first_s(self) -> int:
        """Start of the stay: opening of the landing window, first light, or midnight."""
        for windows in (self.landing, self.light):
            if len(windows):
                return int(windows[0, 0])
        return self.begin_s


def days_of(course: SiteCourse, scenario: Scenario) -> list[Day]:
    """Every lunar day of a site's course, with its light and landing windows."""
    in_contact = _contact_with(course, scenario.landing.stations)
    days = []
    for number, begin_s, noon_s, end_s in course.days.tolist():
        light = clipped(course.light, begin_s, end_s)
        landing = clipped(course.sun_in_band, begin_s, noon_s)
        for required in (light, course.earth_high, course.earth_up, in_contact):
            landing = intervals.intersect(landing, clipped(required, begin_s, noon_s))
        landing = intervals.at_least(landing, SCAN_S)
        days.append(Day(number, begin_s, noon_s, end_s, light, landing))
    return days


def day_row(scenario: Scenario, course: SiteCourse, day: Day) -> dict:
    """The figures of days.csv, without value, rank and notes; times as int64 seconds or None."""
    row = dict.fromkeys(FIGURE_COLUMNS)
    row |= {"lunar_day": day.number, "daylight_h": _hours(day.light)}
    if len(day.light):
        row["first_light_utc"] = _unless(day.light[0, 0], day.begin_s)
        row["last_light_utc"] = _unless(day.light[-1, 1], day.end_s)
    if len(day.landing):
        row["landing_opens_utc"] = int(day.landing[0, 0])
        row["landing_closes_utc"] = int(day.landing[-1, 1])
        row["landing_h"] = _hours(day.landing)
        row["landing_windows"] = len(day.landing)
    return row | stay_figures(scenario, course, day, day.first_s, bool(len(day.landing)))


def stay_figures(
    scenario: Scenario, course: SiteCourse, day: Day, touchdown_s: int, lands: bool = True
) -> dict:
    """Figures of the stay that begins at `touchdown_s` in `day`.

    `daylight_remaining_h`, `sun_elevation_deg` and `useful_light_h` are None unless it
    `lands`. Energy is that of the platform with the smallest share of supply over requests;
    supply is an upper bound on what arrays and battery deliver beyond idle and heater loads.
    `useful_light_h` is the daylight remaining less the sunlight lost to eclipses, times the
    smaller of the energy and link shares (at most 1).
    """
    first_s, last_s = touchdown_s, max(day.last_s, touchdown_s)
    scans = slice(*np.searchsorted(course.scan_s, [first_s, last_s]))
    edges = np.interp([first_s, last_s], course.scan_s, course.earth_elevation_deg)
    earth_deg = np.append(course.earth_elevation_deg[scans], edges)
    hidden = clipped(course.earth_hidden, first_s, last_s)
    hours = slice(*np.searchsorted(course.hour_s, [first_s, last_s]))
    at_ends = np.interp([first_s, last_s], course.hour_s, course.surface_k)
    surface_k = np.append(course.surface_k[hours], at_ends)
    contact = clipped(course.any_contact, first_s, last_s)
    lost_h = np.diff(np.interp([first_s, last_s], course.scan_s, course.lost_light_s))[0] / 3600
    supply = _supply(scenario, course, first_s, last_s)
    row = {
        "earth_elevation_min_deg": earth_deg.min(),
        "earth_elevation_max_deg": earth_deg.max(),
        "earth_hidden_h": _hours(hidden),
        "earth_hidden_from_utc": int(hidden[0, 0]) if len(hidden) else None,
        "contact_h": _hours(contact),
        "longest_gap_h": intervals.longest_gap(contact, first_s, last_s) / 3600,
        "eclipse_min": 60 * _hours(clipped(course.eclipse, first_s, last_s)),
        "sunlight_lost_h": float(lost_h),
        "surface_max_k": surface_k.max(),
        "surface_min_k": surface_k.min(),
        **supply,
        "sun_elevation_deg": None,
        "daylight_remaining_h": None,
        "useful_light_h": None,
    }
    if lands:
        light_h = _hours(clipped(day.light, first_s, last_s))
        shares = (row["energy_share"], row["link_share"])
        enough = min([1.0, *(share for share in shares if share is not None)])
        row["sun_elevation_deg"] = np.interp(first_s, course.scan_s, course.sun_elevation_deg)
        row["daylight_remaining_h"] = light_h
        row["useful_light_h"] = (light_h - row["sunlight_lost_h"]) * enough
    return {k: float(v) if isinstance(v, np.floating) else v for k, v in row.items()}


def why_no_landing(scenario: Scenario, course: SiteCourse, day: Day) -> str:
    """Why a lunar day has no landing window, in words; "" if it has one."""
    if len(day.landing):
        return ""
    required = scenario.landing
    morning = slice(*np.searchsorted(course.scan_s, [day.begin_s, day.noon_s]))
    earth = clipped(course.earth_up, day.begin_s, day.end_s)
    nothing = [
        f"no {what}: it stays below the skyline"
        for what, windows in (("Sun", day.light), ("Earth", earth))
        if not len(windows)
    ]
    if nothing:
        return "; ".join(nothing)
    highest_deg = course.sun_elevation_deg[morning].max()
    if highest_deg < required.sun_elevation_deg[0]:
        return (
            f"no landing: the Sun climbs to {highest_deg:.1f} deg, "
            f"{required.sun_elevation_deg[0]:g} deg are required"
        )
    clip = day.begin_s, day.noon_s
    lit = intervals.intersect(clipped(course.sun_in_band, *clip), day.light)
    if not len(lit):
        return "no landing: in the morning the Sun is outside its limits or behind the skyline"
    up = intervals.intersect(lit, clipped(course.earth_up, *clip))
    if not len(intervals.intersect(up, clipped(course.earth_high, *clip))):
        highest_deg = np.interp(lit.ravel(), course.scan_s, course.earth_elevation_deg).max()
        return (
            f"no landing: the Earth is at {highest_deg:.1f} deg or lower at that time; it must "
            f"be above {required.earth_elevation_min_deg:g} deg and the skyline"
        )
    many = "one station" if required.stations == 1 else f"{required.stations} stations"
    return f"no landing: never {many} in contact while Sun and Earth are within limits"


def _contact_with(course: SiteCourse, stations: int) -> np.ndarray:
    """Windows in which at least this many stations are in contact."""
    each: dict[str, np.ndarray] = {}
    for (_, station), windows in course.contacts.items():
        each[station] = intervals.union(np.concatenate([each.get(station, windows), windows]))
    together = [np.empty((0, 2), np.int64)]
    for some in combinations(each.values(), stations):
        together.append(reduce(intervals.intersect, some))
    return intervals.union(np.concatenate(together))


def _hours(windows: np.ndarray) -> float:
    return float((windows[:, 1] - windows[:, 0]).sum()) / 3600


def _unless(instant: int, cut: int) -> int | None:
    """The instant as int, or None if it is `cut`, where the day ends and not the window."""
    return None if instant == cut else int(instant)


def _supply(scenario: Scenario, course: SiteCourse, first_s: int, last_s: int) -> dict:
    """Energy and downlink over the stay, compared with what all requested runs need."""
    link_mbit, rates_kbps = _link_supply(course, first_s, last_s)
    counts = requested_counts(scenario)
    to_send_mbit = _to_send_mbit(scenario, counts)
    energies = {
        p.name: (
            _energy_supply_wh(p, course, first_s, last_s),
            _runs_wh(scenario, p, counts)
            + _sending_wh(p, to_send_mbit[p.name], rates_kbps.get(p.name)),
        )
        for p in scenario.platform
    }
    shares = {name: _share(*energy) for name, energy in energies.items()}
    known = {name: share for name, share in shares.items() if share is not None}
    tight = min(shares, key=lambda name: known.get(name, np.inf))
    requested_mbit = float(sum(counts[a.name] * a.data_mbit for a in scenario.activity))
    return {
        "energy_supply_wh": energies[tight][0],
        "energy_requested_wh": energies[tight][1],
        "energy_share": shares[tight],
        "energy_platform": tight,
        "link_supply_mbit": link_mbit,
        "link_requested_mbit": requested_mbit,
        "link_share": _share(link_mbit, requested_mbit),
    }


def _share(supply: float, requested: float) -> float | None:
    return None if requested <= 0 else max(supply, 0.0) / requested


def _link_supply(course: SiteCourse, first_s: int, last_s: int) -> tuple[float, dict[str, float]]:
    """Downlink capacity in Mbit, the fastest pair of platform and station at a time.

    Also the mean rate in kbit/s of each direct platform.
    """
    means = {pair: float(rate.mean()) for pair, rate in course.rate_kbps.items()}
    taken, total_mbit = np.empty((0, 2), np.int64), 0.0
    for pair in sorted(means, key=lambda pair: (-means[pair], pair)):
        flows = clipped(course.contacts[pair], first_s, last_s)
        kbps_h = sum(
            course.hourly_sum(course.rate_kbps[pair], start, end)
            for start, end in intervals.subtract(flows, taken).tolist()
        )
        total_mbit += 3.6 * kbps_h
        taken = intervals.union(np.concatenate([taken, flows]))
    rates: dict[str, float] = {}
    for (platform, _), mean in means.items():
        rates[platform] = max(rates.get(platform, 0.0), mean)
    return float(total_mbit), rates


def _to_send_mbit(scenario: Scenario, counts: dict[str, float]) -> dict[str, float]:
    """Data that each platform must send if all requested runs are made, relayed data included."""
    own = dict.fromkeys((p.name for p in scenario.platform), 0.0)
    for activity in scenario.activity:
        own[scenario.platform_of(activity)] += counts[activity.name] * activity.data_mbit
    towards = {p.name: p.radio.to for p in scenario.platform}
    through = dict(own)
    for name, amount in own.items():
        while towards[name] != "earth":
            name = towards[name]
            through[name] += amount
    return through


def _runs_wh(scenario: Scenario, platform: Platform, counts: dict[str, float]) -> float:
    """Energy of all requested runs of a platform."""
    return sum(
        counts[a.name] * (a.warm_up_w * a.warm_up_min + a.power_w * a.duration_min) / 60
        for a in scenario.activity
        if scenario.platform_of(a) == platform.name
    )


def _sending_wh(platform: Platform, send_mbit: float, rate_kbps: float | None) -> float:
    """Energy of sending these data."""
    known_kbps = (rate_kbps, platform.radio.rate_kbps, LEAST_RATE_KBPS)
    kbps = next(rate for rate in known_kbps if rate is not None)
    return platform.radio.transmit_w * send_mbit / 3.6 / max(kbps, LEAST_RATE_KBPS)


def _energy_supply_wh(platform: Platform, course: SiteCourse, first_s: int, last_s: int) -> float:
    """Energy of arrays and battery beyond idle and heater; an upper bound, as none is spilled."""
    net_w = course.generation_w[platform.name] - course.base_load_w[platform.name]
    battery = platform.battery
    floor = max(battery.reserve, battery.end or 0.0)
    stored_wh = (battery.start - floor) * battery.usable_wh * battery.discharge_efficiency
    return course.hourly_sum(net_w, first_s, last_s) + stored_wh
