"""On which lunar day should we land? Every lunar day in a range, ranked, with reasons."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.common.errors import Infeasible, ObsplanError, ScenarioError
from obsplan.environment.build import make_environment
from obsplan.environment.site_skyline import ground_height_m
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.sites_csv import Place
from obsplan.planning.plan import make_plan
from obsplan.survey.day_columns import DAY_COLUMNS, WORD_COLUMNS
from obsplan.survey.lunar_days import clipped
from obsplan.survey.ranking import Notes, for_and_against, ranked
from obsplan.survey.site_course import (
    SiteCourse,
    place_of,
    require_on_ground,
    site_courses,
    skyline_of,
)
from obsplan.survey.stay_figures import (
    TOUCHDOWN_COLUMNS,
    Day,
    day_row,
    days_of,
    stay_figures,
    why_no_landing,
)
from obsplan.survey.tolerances import TOLERANCES

Report = Callable[[str], None]
WINDOW_COLUMNS = ["lunar_day", "window", "start_utc", "end_utc"]
BEARINGS_DEG = {"north": 0.0, "east": 90.0, "south": 180.0, "west": 270.0}


@dataclass(frozen=True)
class DayChoice:
    """The lunar days of a range.

    table: one row per lunar day, the columns of days.csv. windows: light, landing, eclipse,
    contact and hidden Earth of each day. losses: figures of a late or off-target landing and
    their difference from the nominal one, one row per day and case; empty unless requested.
    notes: what `table` says in words, row by row.
    """

    table: pd.DataFrame
    windows: pd.DataFrame
    losses: pd.DataFrame
    notes: tuple[Notes, ...]


def landing_days(
    scenario: Scenario,
    first_utc: datetime,
    last_utc: datetime,
    *,
    planned: bool = False,
    gap: float = 0.01,
    late_h: float | None = None,
    offset_km: float | None = None,
    report: Report = lambda line: None,
    ephemeris_directory: Path | None = None,
) -> DayChoice:
    """Every lunar day at the site whose local noon lies in first_utc..last_utc, ranked.

    With `planned`, the planner runs for each day from the opening of its landing window.
    `late_h` and `offset_km` add the losses of a landing at the close of the window, of one
    that is late, and of one off target to the north, east, south and west; with `planned`
    their loss of value too.

    Raises ScenarioError if a platform is in orbit; ObsplanError for a range without a lunar day;
    EphemerisError unless the kernels cover the range, one and a half lunations before it and half
    a lunation after it.
    """
    require_on_ground(scenario)
    range_s = range_seconds(first_utc, last_utc)
    home = place_of(scenario)
    off_target = {side: _on_ground(place) for side, place in _off_target(home, offset_km).items()}
    places = [home, *off_target.values()]
    # Elevation models show the skylines of places this close too; a profile is assumed to.
    profiles = [skyline_of(place) for place in places]
    course, *others = site_courses(scenario, places, *range_s, ephemeris_directory, profiles)
    # Local noon shifts with longitude, across a pole by half a lunation; the day is the same.
    others = [replace(other, days=course.days) for other in others]
    own_days = days_of(course, scenario)
    if not own_days:
        raise ObsplanError(
            f"no local noon between {first_utc:%Y-%m-%d} and {last_utc:%Y-%m-%d}: a lunar day "
            "lasts 29.5 days; choose a longer range"
        )
    planner = Planner(scenario, gap, ephemeris_directory) if planned else None
    rows = site_rows(scenario, course, planner, report)
    losses = pd.DataFrame()
    if late_h is not None or off_target:
        elsewhere = dict(zip(off_target, others))
        losses = _losses(scenario, (course, own_days, rows), elsewhere, late_h, planner, report)
    return DayChoice(
        ranked_table(rows, planned),
        _windows_table(course, own_days),
        losses,
        tuple(row["notes"] for row in rows),
    )


def range_seconds(first_utc: datetime, last_utc: datetime) -> tuple[int, int]:
    """Both ends as seconds since 1970; raises ObsplanError for an empty range."""
    if last_utc <= first_utc:
        raise ObsplanError(
            f"the range {first_utc:%Y-%m-%d} to {last_utc:%Y-%m-%d} is empty: its end must come "
            "after its start"
        )
    return int(first_utc.timestamp()), int(last_utc.timestamp())


def site_rows(
    scenario: Scenario,
    course: SiteCourse,
    planner: "Planner | None" = None,
    report: Report = lambda line: None,
) -> list[dict]:
    """A row per lunar day of a site: DAY_COLUMNS without rank, `Notes`, times in seconds."""
    rows = []
    for day in days_of(course, scenario):
        row = day_row(scenario, course, day)
        row |= {"value": None, "bound": None, "rank": None, "decided_by": ""}
        row["notes"] = why_no_landing(scenario, course, day)
        if planner and len(day.landing):
            row |= planner.value(course.place, day.first_s, day.last_s)
            report(f"lunar day {day.number}: {_outcome(row)}")
        rows.append(row)
    arguments = for_and_against(pd.DataFrame(rows, columns=DAY_COLUMNS))
    for row, notes in zip(rows, arguments):
        row["notes"] = replace(notes, obstacle=row["notes"])
    return rows


def ranked_table(rows: list[dict], planned: bool, leading: Sequence[str] = ()) -> pd.DataFrame:
    """Rows of `site_rows` as a table with UTC times and ranks, `leading` columns first."""
    table = pd.DataFrame(rows, columns=[*leading, *DAY_COLUMNS])
    table["notes"] = [str(notes) for notes in table["notes"]]
    for column in DAY_COLUMNS:
        if column.endswith("_utc"):
            table[column] = pd.to_datetime(table[column].astype("Int64"), unit="s", utc=True)
        elif column in ("lunar_day", "landing_windows"):
            table[column] = table[column].astype("Int64")
        elif column not in ("rank", *WORD_COLUMNS):
            table[column] = table[column].astype(float)
    return ranked(table, planned)


class Planner:
    """Plans the scenario on another lunar day or at another place.

    The plan begins at touchdown. It ends as long after, or before, the last light of its
    lunar day as the span of the scenario ends after that of its own. Conditions and coverage
    are relative to the sky or the span and so apply unchanged; all times in the scenario
    shift with the start.
    """

    def __init__(self, scenario: Scenario, gap: float, ephemeris_directory: Path | None = None):
        self.scenario, self.gap, self.ephemeris_directory = scenario, gap, ephemeris_directory
        begin = int(scenario.span.start_utc.timestamp())
        around = begin - 16 * 86400, begin + 16 * 86400
        [course] = site_courses(scenario, [place_of(scenario)], *around, ephemeris_directory)
        own = next(d for d in days_of(course, scenario) if d.begin_s <= begin < d.end_s)
        self.after_light_s = int(scenario.span.end_utc.timestamp()) - own.last_s

    def value(self, place: Place, touchdown_s: int, last_light_s: int) -> dict:
        """`value`, `bound` and `notes` of the plan; without a plan the notes say why."""
        try:
            scenario = self.scenario_at(place, touchdown_s, last_light_s)
            plan = make_plan(make_environment(scenario, self.ephemeris_directory), self.gap)
        except (Infeasible, ScenarioError) as obstacle:
            why = str(obstacle).splitlines()[0]
            return {"value": None, "bound": None, "notes": f"no plan: {why}"}
        if plan.interrupted:  # other days would be worth more because they were searched longer
            raise KeyboardInterrupt
        return {"value": plan.value, "bound": plan.bound, "notes": ""}

    def scenario_at(self, place: Place, touchdown_s: int, last_light_s: int) -> Scenario:
        """The scenario at a place from touchdown on; raises Infeasible if no step is left."""
        scenario = self.scenario
        start = _utc(-(-touchdown_s // 60) * 60)
        end = _utc((last_light_s + self.after_light_s) // 60 * 60)
        if end - start < timedelta(minutes=scenario.span.step_min):
            raise Infeasible("the span would end within its first step")
        shift = start - scenario.span.start_utc
        site = scenario.landing_site.model_copy(
            update={
                "name": place.name,
                "latitude_deg": place.latitude_deg,
                "longitude_deg": place.longitude_deg,
                "height_m": place.height_m,
                "slope_deg": place.slope_deg,
                "aspect_deg": place.aspect_deg,
                "skyline": tuple(str(p.resolve()) for p in place.skyline) or "flat",
            }
        )
        platforms = tuple(
            p.model_copy(
                update={
                    "track": tuple(
                        stay.model_copy(update={"from_utc": stay.from_utc + shift})
                        for stay in p.track
                    )
                }
            )
            for p in scenario.platform
        )
        keep_outs = tuple(
            each.model_copy(
                update={"from_utc": each.from_utc + shift, "until_utc": each.until_utc + shift}
            )
            for each in scenario.keep_out
        )
        uplink = scenario.uplink
        if uplink is not None and uplink.loaded_until_utc is not None:
            uplink = uplink.model_copy(update={"loaded_until_utc": uplink.loaded_until_utc + shift})
        span = scenario.span.model_copy(update={"start_utc": start, "end_utc": end})
        # Passes are booked for the scenario's own dates and site alone.
        stations = tuple(s.model_copy(update={"passes": None}) for s in scenario.station)
        # So are shifts; other hours are the same every day.
        teams = tuple(t.model_copy(update={"shifts": None}) for t in scenario.team)
        return scenario.model_copy(
            update={
                "site": site,
                "span": span,
                "station": stations,
                "team": teams,
                "platform": platforms,
                "keep_out": keep_outs,
                "pin": (),
                "uplink": uplink,
            }
        )


def _outcome(planned: dict) -> str:
    """The outcome of `Planner.value` in words."""
    return planned["notes"] or f"value {planned['value']:.1f}, upper bound {planned['bound']:.1f}"


def _utc(seconds: int) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _off_target(home: Place, offset_km: float | None) -> dict[str, Place]:
    """Places `offset_km` from the site along great circles, by the name of the case."""
    if offset_km is None:
        return {}
    places = {}
    latitude, longitude = np.radians([home.latitude_deg, home.longitude_deg])
    arc = offset_km / (MOON_RADIUS_KM + home.height_m / 1000.0)
    outward = np.array([np.cos(latitude), 0.0, np.sin(latitude)])
    north = np.array([-np.sin(latitude), 0.0, np.cos(latitude)])
    east = np.array([0.0, 1.0, 0.0])
    for side, bearing_deg in BEARINGS_DEG.items():
        bearing = np.radians(bearing_deg)
        towards = np.cos(bearing) * north + np.sin(bearing) * east
        x, y, z = np.cos(arc) * outward + np.sin(arc) * towards
        turned_deg = np.degrees(longitude + np.arctan2(y, x))
        places[f"{offset_km:g} km {side}"] = home._replace(
            latitude_deg=float(np.degrees(np.arctan2(z, np.hypot(x, y)))),
            longitude_deg=float(np.mod(turned_deg + 180.0, 360.0) - 180.0),
        )
    return places


def _on_ground(place: Place) -> Place:
    """The place at the height that elevation models have there, if its skyline is from models."""
    height_m = ground_height_m(place.skyline, place.latitude_deg, place.longitude_deg)
    return place if height_m is None else place._replace(height_m=height_m)


def _losses(
    scenario: Scenario,
    home: tuple[SiteCourse, list[Day], list[dict]],
    off_target: dict[str, SiteCourse],
    late_h: float | None,
    planner: Planner | None,
    report: Report,
) -> pd.DataFrame:
    """One row per day with a landing and per case, compared with the nominal landing.

    `home` is the course of the site, its days and their rows; `off_target` the course of
    each place the landing may miss by.
    """
    course, own_days, rows = home
    elsewhere = {
        case: {d.number: (there, d) for d in days_of(there, scenario)}
        for case, there in off_target.items()
    }
    lines = []
    for day, row in zip(own_days, rows):
        if not len(day.landing):
            continue
        cases: list[tuple[str, SiteCourse, Day, int]] = []
        if late_h is not None:
            cases.append(("window closes", course, day, int(day.landing[-1, 1])))
            cases.append((f"{late_h:g} h late", course, day, day.first_s + round(3600 * late_h)))
        cases += [(case, *there[day.number], day.first_s) for case, there in elsewhere.items()]
        for case, there, its_day, touchdown_s in cases:
            figures = stay_figures(scenario, there, its_day, touchdown_s)
            inside = (its_day.landing[:, 0] <= touchdown_s) & (touchdown_s <= its_day.landing[:, 1])
            line = {
                "lunar_day": day.number,
                "case": case,
                "touchdown_utc": touchdown_s,
                "in_window": bool(inside.any()),
                "sun_elevation_deg": figures["sun_elevation_deg"],
            }
            for name in TOUCHDOWN_COLUMNS:
                line[name] = figures[name]
                known = row[name] is not None and figures[name] is not None
                line[f"{name}_change"] = figures[name] - row[name] if known else None
            if planner:
                plan = planner.value(there.place, touchdown_s, its_day.last_s)
                known = row["value"] is not None and plan["value"] is not None
                line |= plan | {"value_change": plan["value"] - row["value"] if known else None}
                report(f"lunar day {day.number}, {case}: {_outcome(plan)}")
            lines.append(line)
    table = pd.DataFrame(lines)
    if len(table):
        table["touchdown_utc"] = pd.to_datetime(table["touchdown_utc"], unit="s", utc=True)
    return table


def most_tolerant_days(choice: DayChoice) -> tuple[list[int], float] | None:
    """The lunar days that keep the largest share in their worst case, and that share.

    The share is of the plan's value if days were planned, else of useful light; days behind by
    less than what matters are included. None if no losses were computed.
    """
    if choice.losses.empty:
        return None
    measure = "value" if "value" in choice.losses else "useful_light_h"
    nominal = choice.table.set_index("lunar_day")[measure].dropna()
    # A case without a plan keeps nothing.
    worst = choice.losses.fillna({measure: 0.0}).groupby("lunar_day")[measure].min()
    kept = (worst / nominal[nominal > 0]).dropna()
    if kept.empty:
        return None
    most = float(kept.max())
    equal = kept[kept >= most - TOLERANCES[measure].share]
    return [int(number) for number in equal.index], most


def _windows_table(course: SiteCourse, own_days: list[Day]) -> pd.DataFrame:
    rows = []
    for day in own_days:
        span = np.array([[day.begin_s, day.end_s]])
        clip = day.begin_s, day.end_s
        for name, windows in (
            ("day", span),
            ("light", day.light),
            ("landing", day.landing),
            ("eclipse", clipped(course.eclipse, *clip)),
            ("contact", clipped(course.any_contact, *clip)),
            ("earth hidden", clipped(course.earth_hidden, *clip)),
        ):
            rows += [(day.number, name, start, end) for start, end in windows.tolist()]
    table = pd.DataFrame(rows, columns=WINDOW_COLUMNS)
    for column in ("start_utc", "end_utc"):
        table[column] = pd.to_datetime(table[column], unit="s", utc=True)
    return table
