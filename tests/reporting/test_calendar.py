"""The calendar reads back as RFC 5545 asks, and the next one updates the last."""

import re
from dataclasses import replace
from datetime import timedelta

import icalendar
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import START

from obsplan.analysis.command_loads import command_loads
from obsplan.common.caution import CAUTION
from obsplan.common.errors import TableError
from obsplan.reporting import plan_directory
from obsplan.reporting.calendar import ALARM_BEFORE, calendar_bytes, entries_of


def calendar(made, timeline=None, previous=None, title=None, now_utc=None) -> bytes:
    offered = made.environment
    if title is not None:
        scene = offered.scenario.model_copy(update={"title": title})
        offered = replace(offered, scenario=scene)
    slots = made.timeline if timeline is None else timeline
    plan = replace(made, environment=offered, timeline=slots, now_utc=now_utc)
    return calendar_bytes(plan, previous)


def unheard(made):
    """The plan as if there were no contact, for calendars that are quick to write."""
    offered = made.environment
    return replace(made, environment=replace(offered, contacts=offered.contacts.iloc[:0]))


def events(content: bytes, category: str = "") -> list[icalendar.Event]:
    found = icalendar.Calendar.from_ical(content).walk("VEVENT")
    return [e for e in found if category in ("", *e["categories"].cats)]


def lasting(slots: pd.DataFrame, name: str) -> pd.DataFrame:
    return slots[slots["activity"] == name].reset_index(drop=True)


def test_slots_contacts_and_deadlines_are_there_with_their_times(made):
    content = calendar(made)
    slots = made.timeline[made.timeline["instrument"] != "radio"]
    assert len(slots) == 5
    for category, table, first, last in (
        ("slot", slots, "start_utc", "end_utc"),
        ("contact", made.environment.contacts, "acquisition_utc", "loss_utc"),
        ("deadline", command_loads(made.environment, made.timeline), "by_utc", None),
    ):
        found = events(content, category)
        assert sorted(e["dtstart"].dt for e in found) == sorted(table[first])
        if last:
            assert sorted(e["dtend"].dt for e in found) == sorted(table[last])
        else:
            assert not any("dtend" in e for e in found)


def test_rfc_5545_line_by_line(made):
    """Section 3.1: CRLF, at most 75 octets a line, folded within no character."""
    title = "Überlange Überschrift – " + "åßç " * 30
    content = calendar(made, title=title)
    assert content.endswith(b"\r\n") and b"\n" not in content.replace(b"\r\n", b"")
    lines = content.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    for line in lines:
        line.decode("utf-8")
    unfolded = content.replace(b"\r\n ", b"").decode()
    assert f"NAME:{title}" in unfolded
    assert CAUTION.replace(",", "\\,") in unfolded  # 3.3.11


def test_rfc_5545_required_properties(made):
    """Sections 3.6, 3.6.1 and 3.6.6: what must be there, once, and of which form."""
    read = icalendar.Calendar.from_ical(calendar(made))
    assert read["version"] == "2.0" and read["prodid"].startswith("-//obsplan//")
    uids = [str(e["uid"]) for e in read.walk("VEVENT")]
    assert len(set(uids)) == len(uids)
    for event in read.walk("VEVENT"):
        for name in ("uid", "dtstamp", "dtstart", "sequence", "summary", "status"):
            assert name in event and not isinstance(event[name], list), name
        for name in ("dtstamp", "dtstart", "dtend"):
            if name in event:
                assert event[name].dt.utcoffset() == timedelta(0)
                assert re.fullmatch(rb"\d{8}T\d{6}Z", event[name].to_ical())
        if "dtend" in event:
            assert event["dtend"].dt > event["dtstart"].dt
    bells = read.walk("VALARM")
    assert bells
    for bell in bells:
        assert bell["action"] == "DISPLAY" and bell["description"]
        assert bell["trigger"].dt == -ALARM_BEFORE < timedelta(0)


def test_deadlines_ring_and_nothing_else_does(made):
    content = calendar(made)
    assert all(len(e.subcomponents) == 1 for e in events(content, "deadline"))
    others = events(content, "slot") + events(content, "contact")
    assert not any(e.subcomponents for e in others)


def test_deadlines_before_now_are_left_out_and_not_cancelled(made):
    due = sorted(e["dtstart"].dt for e in events(calendar(made), "deadline"))
    now_utc = due[0] + timedelta(minutes=1)
    content = calendar(made, previous=entries_of(calendar(made), "old"), now_utc=now_utc)
    told = events(content, "deadline")
    assert min([e["dtstart"].dt for e in told], default=now_utc) >= now_utc
    loads = command_loads(made.environment, made.timeline, now_utc)
    assert sorted(e["dtstart"].dt for e in told) == sorted(loads["by_utc"]) != due
    assert not any(e["status"] == "CANCELLED" for e in events(content))


def test_the_caution_stands_beside_hazards_alone(made):
    said = {
        "Hazard: laser" in e["description"] and CAUTION in e["description"]: e["summary"]
        for e in events(calendar(made), "slot")
    }
    assert "shot" in said[True] and "sweep" in said[False]


def test_the_same_plan_again_changes_no_byte(made):
    first = calendar(made)
    assert first == calendar(made)
    assert first == calendar(made, previous=entries_of(first, "plan.ics"))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"CATEGORIES:slot\r\n", b""),
        (b"CATEGORIES", b"CATEGORISE"),
        (b"SEQUENCE:0", b"SEQUENCE:first"),
        (b"00Z\r\n", b"00\r\n"),
        (b"UID:", b"GUID:"),
    ],
)
def test_a_calendar_that_was_damaged_is_refused_before_the_work(made, old, new):
    content = calendar(unheard(made))
    assert old in content
    with pytest.raises(TableError, match="plan.ics: is not a calendar that obsplan wrote"):
        entries_of(content.replace(old, new), "plan.ics")


def test_a_moved_run_keeps_its_uid_and_its_number_rises(made):
    slots = made.timeline.copy()
    last = slots[slots["activity"] == "sweep"]["start_utc"].idxmax()
    old = entries_of(calendar(made), "plan.ics")
    slots.loc[last, ["start_utc", "end_utc"]] += pd.Timedelta(minutes=15)
    new = entries_of(calendar(made, slots, old), "plan.ics")
    assert set(new) == set(old)
    changed = {uid for uid in new if new[uid]["dtstart"].dt != old[uid]["dtstart"].dt}
    slot = [uid for uid in changed if new[uid]["categories"].cats == ["slot"]]
    assert len(slot) == 1
    assert all(new[uid]["sequence"] == (uid in changed) for uid in new if uid in slot)
    assert all(
        new[uid]["sequence"] == 0 for uid in new if new[uid]["categories"].cats == ["contact"]
    )


def test_a_dropped_run_is_cancelled_stays_so_and_may_come_back(made):
    everything = made.timeline
    fewer = everything.drop(everything[everything["activity"] == "shot"].index[-1])
    first = entries_of(calendar(made), "plan.ics")
    second = entries_of(calendar(made, fewer, first), "plan.ics")
    gone = {uid for uid in second if second[uid]["status"] == "CANCELLED"}
    assert "lander: shot 2" in {str(second[uid]["summary"]) for uid in gone}
    loads = [len(events(calendar(made, slots), "deadline")) for slots in (everything, fewer)]
    assert len(gone) == 1 + loads[0] - loads[1]
    assert all(second[uid]["sequence"] == 1 and not second[uid].subcomponents for uid in gone)
    third = entries_of(calendar(made, fewer, second), "plan.ics")
    assert {uid: e.to_ical() for uid, e in third.items()} == {
        uid: e.to_ical() for uid, e in second.items()
    }
    fourth = entries_of(calendar(made, everything, third), "plan.ics")
    assert all(fourth[uid]["sequence"] == 2 for uid in gone)
    assert "CANCELLED" not in {fourth[uid]["status"] for uid in gone}


def test_locked_and_done_slots_are_confirmed(made):
    slots = made.timeline.assign(state="locked")
    assert {e["status"] for e in events(calendar(made, slots), "slot")} == {"CONFIRMED"}
    assert {e["status"] for e in events(calendar(made), "slot")} == {"TENTATIVE"}


@settings(max_examples=50)
@given(title=st.text(max_size=40))
def test_any_title_can_be_read_back(made, title):
    content = calendar(unheard(made), made.timeline.iloc[:1], title=title)
    # The library leaves the escapes (RFC 5545, 3.3.11) in properties that it does not know.
    name = re.sub(r"\\(.)", r"\1", str(icalendar.Calendar.from_ical(content)["name"]))
    assert name.split() == "".join(m if m.isprintable() else " " for m in title).split()
    assert max(map(len, content.split(b"\r\n"))) <= 75


def test_the_plan_directory_continues_the_calendar_it_replaces(made, target, empty_figures):
    before = (target / "plan.ics").read_bytes()
    plan_directory.write_plan(made, target)
    assert (target / "plan.ics").read_bytes() == before
    without = made.timeline[made.timeline["activity"] != "shot"]
    plan_directory.write_plan(replace(made, timeline=without), target)
    after = entries_of((target / "plan.ics").read_bytes(), "plan.ics")
    assert sum(e["status"] == "CANCELLED" for e in after.values()) == 2


def test_a_plan_in_another_directory_continues_the_one_it_follows(
    made, written, empty_figures, tmp_path
):
    without = replace(made, timeline=made.timeline[made.timeline["activity"] != "shot"])
    plan_directory.write_plan(without, tmp_path / "second", follows=written)
    plan_directory.write_plan(made, str(tmp_path / "third"), follows=str(tmp_path / "second"))
    # Written once more, over the third: the version there is later than that of the first.
    plan_directory.write_plan(without, tmp_path / "third", follows=written)
    numbers = []
    for directory in (written, tmp_path / "second", tmp_path / "third"):
        entries = entries_of((directory / "plan.ics").read_bytes(), str(directory)).values()
        shots = [e for e in entries if e["summary"] == "lander: shot 2"]
        numbers.append([(int(e["sequence"]), str(e["status"])) for e in shots])
    assert numbers == [[(0, "TENTATIVE")], [(1, "CANCELLED")], [(3, "CANCELLED")]]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not a calendar",
        b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
        b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUID:lunch\r\nDTSTART:20280701T120000Z\r\n"
        b"END:VEVENT\r\nEND:VCALENDAR\r\n",
        b"\xff\xfe\x00",
    ],
)
def test_a_calendar_that_is_not_obsplans_is_kept(made, target, content):
    (target / "plan.ics").write_bytes(content)
    with pytest.raises(TableError, match="plan.ics: .*by hand.*move it away"):
        plan_directory.write_plan(made, target)
    assert (target / "plan.ics").read_bytes() == content


def test_stamps_are_the_start_of_the_span(made):
    assert {e["dtstamp"].dt for e in events(calendar(made))} == {START}
