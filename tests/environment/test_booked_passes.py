"""Only time that is booked and visible counts, and what is neither is named."""

from datetime import UTC, datetime

import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import SMALL, platform, scenario_table

from obsplan.analysis.gain_from_passes import gain_from_passes
from obsplan.cli.main import main
from obsplan.common.csv_file import write_csv
from obsplan.common.errors import ScenarioError, TableError
from obsplan.environment.booked_passes import pass_cautions, unbooked_passes, with_pass_booked
from obsplan.environment.build import make_environment, make_link_environment
from obsplan.inputs.passes_csv import read_passes
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.planning.plan import make_plan
from obsplan.reporting.text.terminal import pass_lines
from obsplan.survey.landing_days import Planner, place_of

HEADER = "station,acquisition_utc,loss_utc\n"


def made(folder=None, passes=None, hours=36.0, start=None, platforms=(platform(),), set_up_min=45):
    """Two stations half the world apart; with `passes`, the text of a file that both name."""
    raw = scenario_table(platforms=list(platforms), hours=hours)
    for station, longitude_deg in zip(raw["station"], (0.0, 150.0)):
        station |= {"longitude_deg": longitude_deg, "set_up_min": set_up_min}
        if passes is not None:
            (folder / "passes.csv").write_text(passes)
            station["passes"] = "passes.csv"
    if start:
        end = pd.Timestamp(start) + pd.Timedelta(hours=hours)
        raw["span"] = {"start_utc": start, "end_utc": end.isoformat()}
    scene = scenario_from(raw)
    return make_link_environment(
        scene if folder is None else scene.model_copy(update={"folder": folder})
    )


def same(one, other) -> None:
    for name, table in one.platforms.items():
        pd.testing.assert_frame_equal(table, other.platforms[name])
    pd.testing.assert_frame_equal(one.contacts, other.contacts)


@pytest.mark.parametrize("start", [None, "2028-07-01T12:00:00Z", "2028-07-02T04:00:00Z"])
def test_all_visible_passes_booked_are_as_good_as_none_to_be_booked(tmp_path, start):
    free = made(start=start)
    write_csv(free.contacts, tmp_path / "contacts.csv")
    booked = made(tmp_path, (tmp_path / "contacts.csv").read_text(), start=start)
    same(free, booked)
    assert not pass_cautions(booked) and unbooked_passes(booked).empty


def test_booked_time_that_is_not_visible_is_cut_and_named(tmp_path):
    contact = made().contacts.iloc[1]
    early = contact["acquisition_utc"] - pd.Timedelta(hours=2)
    row = f"{contact['station']},{early:%Y-%m-%dT%H:%MZ},{contact['loss_utc']:%Y-%m-%dT%H:%M:%SZ}\n"
    booked = made(tmp_path, HEADER + row)
    (only,) = booked.contacts.itertuples(index=False)
    assert (only.acquisition_utc, only.loss_utc) == (
        contact["acquisition_utc"],
        contact["loss_utc"],
    )
    (line,) = pass_cautions(booked)
    booked_from = f'"{contact["station"]}" is booked for "lander" from {early:%Y-%m-%dT%H:%MZ} to '
    assert booked_from in line and "when the site is not in view" in line


def test_a_shorter_pass_is_set_up_from_its_own_beginning(tmp_path):
    contact = made().contacts.iloc[1]
    since = (contact["acquisition_utc"] + pd.Timedelta(hours=3)).floor("min")
    until = since + pd.Timedelta(hours=2)
    row = f"{contact['station']},{since:%Y-%m-%dT%H:%MZ},{until:%Y-%m-%dT%H:%MZ}\n"
    booked = made(tmp_path, HEADER + row)
    table = booked.platforms["lander"]
    inside = table.index[table["in_contact"]]
    assert inside[0] == since + pd.Timedelta(minutes=45)
    assert inside[-1] == until - pd.Timedelta(minutes=1) and len(inside) == 75
    # What is left of the same contact is told, each part with a set-up of its own.
    free = unbooked_passes(booked)
    assert (until + pd.Timedelta(minutes=45) == free["from_utc"]).any()
    assert free["volume_mbit"].is_monotonic_decreasing


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.tuples(st.integers(0, 30), st.integers(1, 600)), max_size=4))
def test_booked_and_unbooked_time_together_are_the_visible_time(tmp_path_factory, cuts):
    """Without set-up, whatever is booked: contact or unbooked wherever anything is visible."""
    folder, rows, last = tmp_path_factory.mktemp("cuts"), "", pd.Timestamp("2028-07-01T00:00Z")
    for gap_h, length_min in cuts:
        since = last + pd.Timedelta(hours=gap_h)
        last = since + pd.Timedelta(minutes=length_min)
        rows += "".join(
            f"{name},{since:%Y-%m-%dT%H:%MZ},{last:%Y-%m-%dT%H:%MZ}\n" for name in ("alpha", "beta")
        )
    free = made(set_up_min=0).platforms["lander"]
    booked = made(folder, HEADER + rows, set_up_min=0).platforms["lander"]
    could = booked["in_contact"] | (booked["unbooked_kbps"] > 0)
    # A minute in which a pass ends or begins is whole in neither part.
    assert not (could & ~free["in_contact"]).any()
    assert (free["in_contact"] & ~could).sum() <= 2 * len(cuts)
    assert not (booked["in_contact"] & (booked["unbooked_station"] != "")).any()


def test_a_pass_of_one_platform_serves_no_other(tmp_path):
    pair = [platform("alto"), platform("basso")]
    contact = made(platforms=pair).contacts.iloc[-1]
    times = (
        f"{contact['acquisition_utc']:%Y-%m-%dT%H:%M:%SZ},{contact['loss_utc']:%Y-%m-%dT%H:%M:%SZ}"
    )
    header = "platform,station,acquisition_utc,loss_utc\n"
    one = made(tmp_path, f"{header}basso,{contact['station']},{times}\n", platforms=pair)
    assert set(one.contacts["platform"]) == {"basso"}
    both = made(tmp_path, f"{header},{contact['station']},{times}\n", platforms=pair)
    assert set(both.contacts["platform"]) == {"alto", "basso"}


MISTAKES = {
    "alfa,2028-07-01T00:00Z,2028-07-01T01:00Z": "row 2, station = 'alfa': no such station",
    "alpha,2028-07-01T02:00Z,2028-07-01T01:00Z": "row 2, loss_utc = '2028-07-01T01:00Z': allowed",
    "alpha,soon,2028-07-01T01:00Z": "row 2, acquisition_utc = 'soon'",
    "alpha,2028-07-01T00:00Z,2028-07-01T05:00Z\nalpha,2028-07-01T04:00Z,2028-07-01T06:00Z": (
        "row 3, acquisition_utc = '2028-07-01T04:00Z': row 2 has the station booked until "
        "2028-07-01T05:00Z; passes may not overlap"
    ),
}


def test_a_pass_of_one_platform_within_one_of_all_is_booked_twice(tmp_path):
    path = tmp_path / "passes.csv"
    rows = ["{},alpha,2028-07-01T00:00Z,2028-07-01T05:00Z\n"] * 2
    told = "row 3, acquisition_utc = '2028-07-01T00:00Z': row 2 has the station booked until"
    for first, second in (("", "lander"), ("lander", ""), ("lander", "lander")):
        lines = "".join(row.format(name) for row, name in zip(rows, (first, second)))
        path.write_text("platform,station,acquisition_utc,loss_utc\n" + lines)
        with pytest.raises(TableError, match=told):
            read_passes(path, ["lander", "orbiter"], ["alpha"])
    lines = "".join(row.format(name) for row, name in zip(rows, ("lander", "orbiter")))
    path.write_text("platform,station,acquisition_utc,loss_utc\n" + lines)
    assert len(read_passes(path, ["lander", "orbiter"], ["alpha"])) == 2


@pytest.mark.parametrize("rows", MISTAKES)
def test_each_mistake_in_the_passes_is_named(tmp_path, rows):
    (tmp_path / "passes.csv").write_text(HEADER + rows + "\n")
    with pytest.raises(TableError, match="passes.csv: ") as caught:
        read_passes(tmp_path / "passes.csv", ["lander"], ["alpha", "beta"])
    assert len(caught.value.args) == 1 and MISTAKES[rows] in caught.value.args[0]


def test_passes_of_an_unknown_platform_are_refused(tmp_path):
    (tmp_path / "passes.csv").write_text(
        "platform,station,acquisition_utc,loss_utc\n"
        "landr,alpha,2028-07-01T00:00Z,2028-07-01T01:00Z\n"
    )
    with pytest.raises(TableError, match="platform = 'landr': no such platform"):
        read_passes(tmp_path / "passes.csv", ["lander"], ["alpha"])


def with_passes(folder, rows) -> None:
    """The small scenario as a file, its first station with booked passes."""
    named = 'name = "north"\n'
    (folder / "small.toml").write_text(SMALL.replace(named, f'{named}passes = "booked.csv"\n', 1))
    if rows is not None:
        (folder / "booked.csv").write_text(HEADER + rows)


def test_a_file_of_passes_that_is_missing_is_named(tmp_path):
    with_passes(tmp_path, None)
    with pytest.raises(ScenarioError, match="passes = .booked.csv.: no such file; name a CSV of"):
        read_scenario(tmp_path / "small.toml")


def test_the_link_tells_what_is_not_booked_and_what_is_not_visible(tmp_path):
    with_passes(tmp_path, "")
    scene = read_scenario(tmp_path / "small.toml")
    contacts = make_link_environment(
        scene.model_copy(
            update={
                "station": (
                    scene.station[0].model_copy(update={"passes": None}),
                    *scene.station[1:],
                )
            }
        )
    ).contacts
    seen = contacts[contacts["station"] == "north"].iloc[0]
    at = seen["acquisition_utc"].ceil("min") + pd.Timedelta(minutes=5)
    words = ["link", str(tmp_path / "small.toml")]
    said = CliRunner().invoke(main, [*words, "--at", f"{at:%Y-%m-%dT%H:%MZ}"])
    if said.exit_code:  # unless the other station serves then
        assert "north: the station is not booked" in said.output
    said = CliRunner().invoke(main, words)
    assert said.exit_code == 0 and "visible and not booked from" in said.output
    with_passes(tmp_path, "north,2028-07-04T00:00Z,2028-07-07T00:00Z\n")
    said = CliRunner().invoke(main, words)
    assert "that time does not count" in said.output


def test_other_days_and_sites_know_no_bookings(tmp_path):
    with_passes(tmp_path, "")
    scene = read_scenario(tmp_path / "small.toml")
    begin = int(datetime(2028, 8, 3, tzinfo=UTC).timestamp())
    other = Planner(scene, 0.01).scenario_at(place_of(scene), begin, begin + 10 * 86400)
    assert all(station.passes is None for station in other.station)


def test_a_plan_sends_only_in_booked_time(tmp_path):
    with_passes(tmp_path, "")
    text = (tmp_path / "small.toml").read_text()
    south = '[[station]]\nname = "south"\nlatitude_deg = -30.0\nlongitude_deg = 140.0\n'
    text = text.replace(south, "").replace("capacity_mbit", "start_mbit = 90.0, capacity_mbit")
    (tmp_path / "small.toml").write_text(text)
    visible = unbooked_passes(make_link_environment(read_scenario(tmp_path / "small.toml")))
    since = visible["from_utc"].iloc[0] + pd.Timedelta(minutes=10)
    until = since + pd.Timedelta(minutes=12)
    row = f"north,{since:%Y-%m-%dT%H:%MZ},{until:%Y-%m-%dT%H:%MZ}\n"
    (tmp_path / "booked.csv").write_text(HEADER + row)
    out = tmp_path / "plan"
    done = CliRunner().invoke(main, ["plan", str(tmp_path / "small.toml"), "-o", str(out)])
    assert done.exit_code == 0, done.output
    sent = pd.read_csv(out / "resources.csv", parse_dates=["time_utc"])
    sent = sent[sent["sent_mbit"] > 0]
    # 100 kbit/s for twelve minutes, as there is more to send.
    assert sent["sent_mbit"].sum() == pytest.approx(72.0)
    (contact,) = pd.read_csv(out / "contacts.csv").itertuples(index=False)
    assert (contact.duration_min, contact.volume_mbit) == (12, 72)


def planned_with(folder, rows):
    """A plan of a lander that can only take images as it sends them, with its passes booked."""
    full = platform(store={"capacity_mbit": 40.0, "end_limit_mbit": 5.0})
    raw = scenario_table(
        {"name": "image", "data_mbit": 30.0, "count": 4}, platforms=[full], hours=30.0, step_min=30
    )
    (folder / "passes.csv").write_text(HEADER + rows)
    for station in raw["station"]:
        station["passes"] = "passes.csv"
    scene = scenario_from(raw).model_copy(update={"folder": folder})
    return make_plan(make_environment(scene))


def test_a_pass_that_is_not_booked_is_worth_the_runs_it_would_let_happen(tmp_path):
    poor = planned_with(tmp_path, "")
    assert poor.value == 0.0
    passes = gain_from_passes(poor)
    assert passes["gain"].iloc[0] >= 1.0 and passes["gain"].is_monotonic_decreasing
    best = next(passes.itertuples(index=False))
    told = pass_lines(passes)[2]
    assert told.split()[:2] == ["lander", best.station] and told.endswith(f"+{best.gain:.1f}")
    row = f"{best.station},{best.from_utc:%Y-%m-%dT%H:%MZ},{best.until_utc:%Y-%m-%dT%H:%MZ}\n"
    assert planned_with(tmp_path, row).value >= best.gain


def test_a_pass_is_added_to_contact_and_takes_none_away(tmp_path):
    pair = [platform(), platform("rover", kind="rover", radio={"to": "lander"})]
    contact = made(platforms=pair).contacts.iloc[1]
    since = contact["acquisition_utc"] + pd.Timedelta(hours=1)
    row = f"{contact['station']},{since:%Y-%m-%dT%H:%MZ},{contact['loss_utc']:%Y-%m-%dT%H:%MZ}\n"
    booked = made(tmp_path, HEADER + row, platforms=pair)
    for one in unbooked_passes(booked).itertuples(index=False):
        more = with_pass_booked(booked, one)
        for name in ("lander", "rover"):
            was, now = booked.in_contact(name), more.in_contact(name)
            assert (now >= was).all() and (now & ~was).sum() == one.duration_min
        table = more.platforms["lander"]
        assert (table["station"] != "").equals(table["in_contact"])
