"""Where rovers go, on the page: the map, what is done at which stop, and every drive."""

from base64 import b64encode

from obsplan.analysis.traverse import traverse_table
from obsplan.analysis.visits import Visit, activities_at, left_out, rovers, visits
from obsplan.inputs.stop import LANDER
from obsplan.planning.plan import Plan
from obsplan.reporting.page.elements import Html, folded, instant, paragraph, plain, table, tag


def stops_part(plan: Plan) -> list[Html]:
    """The section about stops: map, stops by instruments, drives."""
    parts = [_map(plan)]
    for platform in rovers(plan.environment.scenario):
        parts += [_by_instrument(plan, platform), *_left_out(plan, platform)]
    drives = traverse_table(plan.environment.scenario, plan.timeline)
    if len(drives):
        driven_m = drives["distance_m"].sum()
        parts.append(folded(f"{len(drives)} drives, {driven_m:.0f} m", _drives(drives)))
    else:
        parts.append(paragraph("No drive is planned."))
    return parts


def _map(plan: Plan) -> Html:
    """The map as a picture in the page."""
    # The drawing library is slow to load, so it is imported only to draw.
    from obsplan.reporting.figures.save import figure_bytes
    from obsplan.reporting.figures.traverse_map import traverse_map

    content = b64encode(figure_bytes(traverse_map(plan), ".png")).decode()
    words = "; ".join(_in_words(plan, platform) for platform in rovers(plan.environment.scenario))
    return tag("img", src=f"data:image/png;base64,{content}", alt=words, class_="map")


def _in_words(plan: Plan, platform: str) -> str:
    """The way of a rover, for those who do not see the map."""
    made = visits(plan, platform)
    if not made:
        return f"map: {platform} stays at {LANDER}"
    return f"map: {platform} goes from {', then to '.join(visit.stop for visit in made)}"


def _by_instrument(plan: Plan, platform: str) -> Html:
    """Runs made of those requested, by stop and instrument, in the order of visits."""
    scenario = plan.environment.scenario
    made = visits(plan, platform)
    missed = [each.stop for each in left_out(plan, platform)]
    instruments = list(
        dict.fromkeys(
            activity.instrument
            for stop in scenario.stop
            if stop.platform == platform
            for activity in activities_at(scenario, stop.name)
        )
    )
    rows = []
    for visit in made:
        metres = "" if visit.leg is None else f"{visit.leg.distance_m:.0f}"
        rows.append(
            (
                f"{visit.number} {visit.stop}" if visit.number else visit.stop,
                instant(visit.arrives_utc) or "at the start",
                instant(visit.leaves_utc) or "at the end",
                metres,
                *(_runs(plan, visit, name) for name in instruments),
            )
        )
    for stop in missed:
        none = Visit(platform, 0, stop, None, None, None, {})
        rows.append((stop, "left out", "", "", *(_runs(plan, none, name) for name in instruments)))
    heads = ["stop", "arrives (UTC)", "leaves (UTC)", "leg (m)", *instruments]
    return table(f"Stops of {platform}: runs made of those requested", heads, rows, stacked=True)


def _runs(plan: Plan, visit: Visit, instrument: str) -> str:
    """How many runs of an instrument are made at a visit, of how many requested."""
    there = activities_at(plan.environment.scenario, visit.stop)
    own = [activity for activity in there if activity.instrument == instrument]
    if not own:
        return ""
    done = sum(visit.runs.get(activity.of, 0) for activity in own)
    return f"{done} of {sum(activity.count for activity in own)}"


def _left_out(plan: Plan, platform: str) -> list[Html]:
    missed = left_out(plan, platform)
    if not missed:
        return []
    rows = [(each.stop, plain(each.reason), plain(each.visited_if)) for each in missed]
    heads = ["stop", "reason", "would be visited if"]
    return [table(f"Stops that {platform} leaves out", heads, rows, stacked=True)]


def _drives(drives) -> Html:
    heads = [
        "slot",
        "from",
        "to",
        "part",
        "starts (UTC)",
        "ends (UTC)",
        "length (m)",
        "climb (m)",
        "steepest slope (deg)",
        "energy (Wh)",
        "data (Mbit)",
    ]
    rows = [
        (
            drive.slot,
            drive.from_stop,
            drive.stop,
            drive.part,
            instant(drive.start_utc),
            instant(drive.end_utc),
            f"{drive.distance_m:.1f}",
            f"{drive.climb_m:.1f}",
            f"{drive.steepest_slope_deg:.1f}",
            f"{drive.energy_wh:.1f}",
            f"{drive.data_mbit:.0f}",
        )
        for drive in drives.itertuples(index=False)
    ]
    return table("Drives", heads, rows)
