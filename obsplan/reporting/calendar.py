"""The plan as a calendar (RFC 5545): slots, contacts, and command loads with an alarm.

Importing the calendar of the next plan updates the entries of the last. So the UID of an entry
comes from the scenario's title and from what the entry is (the third run of an activity, say),
not from its time; its sequence number rises whenever anything in it changes; and what the new
plan no longer has is marked as cancelled, since an entry left out would stay in people's
calendars.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import NAMESPACE_URL, uuid5

import icalendar
import pandas as pd

from obsplan import __version__
from obsplan.analysis.command_loads import command_loads
from obsplan.analysis.missing_runs import requested_runs
from obsplan.common.caution import CAUTION
from obsplan.common.errors import TableError
from obsplan.common.input_file import read_input
from obsplan.common.instants import full_stamp
from obsplan.inputs.activity import Activity
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan
from obsplan.reporting.place import place_name

ALARM_BEFORE = timedelta(minutes=60)
OURS = "@obsplan"


def calendar_bytes(plan: Plan, previous: dict[str, icalendar.Event] | None = None) -> bytes:
    """The calendar file of a plan, as an update of the entries `previous` (see `entries_of`).

    It has one entry per slot, per contact of a platform, and per load of commands; the latter has
    an alarm ALARM_BEFORE it is due. Transmit windows are only in the timeline. Slots of hazardous
    instruments carry the caution. Deadlines before the plan's `now_utc` are left
    out and not cancelled: their commands were sent or missed. Slots are TENTATIVE until
    they are locked or done, and nothing marks anyone as busy. Every DTSTAMP is the start of
    the span, so that the same plan over the same `previous` gives the same bytes.
    """
    scenario = plan.environment.scenario
    stamp = scenario.span.start_utc
    entries = {}
    for key, parts, alarm in _all_entries(plan):
        uid = f"{uuid5(NAMESPACE_URL, '/'.join(['obsplan', scenario.title, *key]))}{OURS}"
        entries[uid] = _event({"uid": uid, "dtstamp": stamp, **parts}, alarm)
    old = previous or {}
    for uid, event in entries.items():
        changed = uid in old and _content(old[uid]) != _content(event)
        event.add("sequence", sequence_of(old[uid]) + changed if uid in old else 0)
    gone = {
        uid: _cancelled(event)
        for uid, event in old.items()
        if uid not in entries and not _has_passed(event, plan.now_utc)
    }
    calendar = icalendar.Calendar()
    calendar.add("prodid", f"-//obsplan//obsplan {__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("name", icalendar.vText(_plain(scenario.title)))
    for event in sorted((entries | gone).values(), key=_place):
        calendar.add_component(event)
    return calendar.to_ical()


def entries_of(content: bytes, source: str) -> dict[str, icalendar.Event]:
    """The entries of a calendar that obsplan wrote, by UID; `source` names it in errors.

    Raises TableError if it is not a calendar, or has entries that obsplan did not write.
    """
    try:
        events = icalendar.Calendar.from_ical(content).walk("VEVENT")
        entries = {str(event["uid"]): event for event in events}
        for event in events:
            sequence_of(event), _content(event), event["categories"].cats
            if _place(event)[0].utcoffset() is None:
                raise ValueError("a time without a zone")
    except (ValueError, KeyError, TypeError, AttributeError, IndexError):
        raise TableError(f"{source}: is not a calendar that obsplan wrote; move it away") from None
    if not all(uid.endswith(OURS) for uid in entries):
        raise TableError(f"{source}: contains entries that obsplan did not write; move it away")
    return entries


def calendar_of(*directories: Path | None) -> dict[str, icalendar.Event]:
    """The entries of the calendars in these directories, the later version of each.

    Raises TableError if one of them cannot be read or was not written by obsplan.
    """
    entries: dict[str, icalendar.Event] = {}
    for path in (directory / "plan.ics" for directory in directories if directory):
        try:
            found = entries_of(read_input(path), str(path))
        except FileNotFoundError:
            continue
        except OSError as problem:
            raise TableError(f"{path}: cannot be read ({problem.strerror})") from None
        for uid, entry in found.items():
            if uid not in entries or sequence_of(entry) > sequence_of(entries[uid]):
                entries[uid] = entry
    return entries


def _all_entries(plan: Plan) -> Iterator[tuple[tuple[str, ...], dict, str]]:
    """Key of each entry, its properties, and the text of its alarm, if any."""
    environment, timeline = plan.environment, plan.timeline
    scenario = environment.scenario
    runs = timeline[timeline["activity"].isin([a.name for a in scenario.activity])]
    number = runs.sort_values("start_utc").groupby("activity").cumcount() + 1
    requested = runs["activity"].map(requested_runs(plan))
    runs = runs.assign(run=number, requested=requested)
    for slot in runs.itertuples(index=False):
        yield ("slot", slot.activity, str(slot.run)), _slot(scenario, slot), ""
    contacts = environment.contacts.query("loss_utc > acquisition_utc")
    contacts = contacts.sort_values(["acquisition_utc", "platform", "station"])
    # A station begins about one contact a day, so the day identifies a contact in every plan.
    days = contacts["acquisition_utc"].dt.strftime("%Y-%m-%d")
    nth = contacts.groupby(["platform", "station", days]).cumcount() + 1
    for contact, day, k in zip(contacts.itertuples(index=False), days, nth):
        yield ("contact", contact.platform, contact.station, day, str(k)), _contact(contact), ""
    runs_of = dict(zip(runs["slot"], runs["activity"] + " " + runs["run"].astype(str)))
    for load in command_loads(environment, timeline, plan.now_utc).itertuples(index=False):
        commands = [f"{runs_of[slot]} (slot {slot})" for slot in load.slots.split("; ")]
        parts, opens = _load(load, commands), full_stamp(load.contact_opens_utc)
        yield ("load", load.platform, load.station, opens), parts, parts["summary"]


def _slot(scenario: Scenario, slot) -> dict:
    activity = scenario.activity_named(slot.activity)
    hazard = next(i.hazard for i in scenario.instrument if i.name == activity.instrument)
    lines = [
        f"Slot {slot.slot}: run {slot.run} of {slot.requested} requested, {slot.instrument} on "
        f"{slot.platform}, {slot.state}.",
        f"Sun elevation {slot.sun_elevation_deg:.1f} deg, local time {slot.local_time_h:.1f} h, "
        f"ground "
        f"{slot.surface_temperature_k:.0f} K, contact: {slot.contact}.",
        f"{slot.power_w:g} W, {slot.energy_wh:.1f} Wh, {slot.data_mbit:g} Mbit, value "
        f"{slot.value:.3g}.",
    ]
    if hazard != "none":
        lines.append(f"Hazard: {hazard}. {CAUTION}")
    return {
        "dtstart": _utc(slot.start_utc),
        "dtend": _utc(slot.end_utc),
        "summary": f"{slot.platform}: {slot.activity} {slot.run}",
        "description": "\n".join(lines),
        "location": _where(activity, place_name(scenario)),
        "categories": ["slot"],
        "status": "TENTATIVE" if slot.state == "planned" else "CONFIRMED",
    }


def _where(activity: Activity, site: str) -> str:
    """The site, and where the rover is there or from where to where it drives."""
    if isinstance(activity, DriveActivity):
        return f"from {activity.leg.start} to {activity.leg.end}, {site}"
    return f"{activity.stop}, {site}" if isinstance(activity, PlacedActivity) else site


def _contact(contact) -> dict:
    lines = [
        f"{contact.platform} and {contact.station} are in contact for "
        f"{contact.duration_min:.0f} min; maximum elevation of the Moon at the station "
        f"{contact.max_station_elevation_deg:.0f} deg.",
        f"One-way light time {contact.light_time_s:.2f} s; {contact.rate_kbps:.1f} kbit/s, up to "
        f"{contact.volume_mbit:.0f} Mbit.",
    ]
    return {
        "dtstart": _utc(contact.acquisition_utc),
        "dtend": _utc(contact.loss_utc),
        "summary": f"contact: {contact.platform} and {contact.station}",
        "description": "\n".join(lines),
        "location": contact.station,
        "categories": ["contact"],
        "status": "CONFIRMED",
    }


def _load(load, commands: list[str]) -> dict:
    many = "1 command" if load.commands == 1 else f"{load.commands} commands"
    return {
        # Without an end an entry takes up no time (RFC 5545, 3.6.1).
        "dtstart": _utc(load.by_utc),
        "summary": f"deadline: {load.station} sends {many} to {load.platform}",
        "description": f"Latest time for {load.station} to send the commands for "
        f"{', '.join(commands)}. The station takes up the link at "
        f"{full_stamp(load.contact_opens_utc)}, the first of these slots starts at "
        f"{full_stamp(load.first_start_utc)}.",
        "location": load.station,
        "categories": ["deadline"],
        "status": "CONFIRMED",
    }


def _event(parts: dict, alarm: str) -> icalendar.Event:
    event = icalendar.Event()
    for key, value in parts.items():
        event.add(key, value)
    event.add("transp", "TRANSPARENT")
    if alarm:
        bell = icalendar.Alarm()
        bell.add("action", "DISPLAY")
        bell.add("trigger", -ALARM_BEFORE)
        bell.add("description", alarm)
        event.add_component(bell)
    return event


def _cancelled(event: icalendar.Event) -> icalendar.Event:
    """The entry as cancelled; one that was cancelled before is left unchanged."""
    if event.get("status") == "CANCELLED":
        return event
    changed = event.copy()
    changed["sequence"] = icalendar.vInt(sequence_of(event) + 1)
    changed["status"] = icalendar.vText("CANCELLED")
    return changed


def _has_passed(event: icalendar.Event, now_utc: datetime | None) -> bool:
    """Whether it is a deadline before now."""
    is_deadline = "deadline" in event["categories"].cats
    return now_utc is not None and is_deadline and event["dtstart"].dt < now_utc


def sequence_of(event: icalendar.Event) -> int:
    """How often an entry has changed since it was first written."""
    return int(event.get("sequence", 0))


def _content(event: icalendar.Event) -> bytes:
    """An entry without its sequence number."""
    changed = event.copy()
    changed.subcomponents = list(event.subcomponents)
    changed.pop("sequence", None)
    return changed.to_ical()


def _place(event: icalendar.Event) -> tuple[datetime, str]:
    return event["dtstart"].dt, str(event["uid"])


def _utc(time: pd.Timestamp) -> datetime:
    return time.to_pydatetime().astimezone(UTC)


def _plain(text: str) -> str:
    """Text on one line, without characters that a calendar may not contain (RFC 5545, 3.1)."""
    return "".join(mark if mark.isprintable() else " " for mark in text)
