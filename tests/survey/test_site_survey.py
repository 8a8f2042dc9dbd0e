"""Surveys: odd places, many processes, a cluster, interruptions, the map."""

import os
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from tools.models import in_degrees
from tools.small import SMALL, landing_table

import obsplan.physics.model_windows as model_windows
import obsplan.survey.site_survey as sites_module
from obsplan.cli.main import main
from obsplan.common.csv_file import csv_text, write_csv
from obsplan.common.errors import ObsplanError, TableError
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.hardware import Station
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.inputs.sites_csv import Place, read_sites
from obsplan.physics import earth_station
from obsplan.physics.compiled_march import March
from obsplan.physics.station_track import station_track
from obsplan.reporting.figures.save import save_figure
from obsplan.reporting.figures.site_map import survey_map
from obsplan.survey.day_columns import DAY_COLUMNS
from obsplan.survey.landing_days import landing_days
from obsplan.survey.site_survey import SITE_COLUMNS, forget_saved, survey_sites

SCENARIO = scenario_from(landing_table())
RANGE = datetime(2028, 6, 20, tzinfo=UTC), datetime(2028, 7, 20, tzinfo=UTC)
PLACES = [
    Place("north pole", 90.0, 0.0),
    Place("shelf", 40.0, 20.0),
    Place("far side", 10.0, 180.0),
    Place("south pole", -90.0, 77.0),
    Place("slope", 40.0, 20.0, 500.0, 10.0, 90.0),
]


@pytest.fixture(scope="module")
def table():
    return survey_sites(SCENARIO, PLACES, *RANGE, jobs=1)


@pytest.fixture
def two_at_a_time(monkeypatch):
    monkeypatch.setattr(sites_module, "CHUNK_SITES", 2)


@pytest.fixture(scope="module")
def in_chunks():
    """The same survey, two sites at a time, as text."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sites_module, "CHUNK_SITES", 2)
        return csv_text(survey_sites(SCENARIO, PLACES, *RANGE, jobs=1))


# --- what is worked out


def test_rows_come_by_site_then_by_day_with_one_rank_over_all(table):
    assert list(table) == [*SITE_COLUMNS, *DAY_COLUMNS]
    assert table["name"].drop_duplicates().tolist() == [p.name for p in PLACES]
    assert (table.groupby("name", sort=False)["lunar_day"].diff().dropna() == 1).all()
    assert table["rank"].notna().equals(table["landing_opens_utc"].notna())
    # 500 m of height and a slope of the ground change no figure by what matters.
    equal = table[table["name"].isin(["shelf", "slope"])]
    assert equal["rank"].tolist() == [1, 1] and equal["decided_by"].tolist() == ["", ""]


def test_a_site_among_others_is_as_alone(table):
    alone = landing_days(SCENARIO, *RANGE).table.drop(columns=["rank", "decided_by"])
    among = table[table["name"] == "shelf"][list(alone)].reset_index(drop=True)
    # Heat steps are divided where the light of any site changes fast: up to 0.1 K.
    numbers = alone.select_dtypes("number").columns
    assert among[numbers].astype(float).sub(alone[numbers].astype(float)).abs().max().max() < 0.2
    assert among["first_light_utc"].equals(alone["first_light_utc"])
    assert among["landing_opens_utc"].equals(alone["landing_opens_utc"])


def test_poles_and_the_far_side_say_what_keeps_a_landing(table):
    notes = table.groupby("name")["notes"].agg(" ".join)
    assert "no Earth: it stays below the skyline" in notes["far side"]
    assert "the Sun climbs to" in notes["north pole"]
    assert "the Sun climbs to -" in notes["south pole"]
    poles = table[table["name"].str.contains("pole")]
    assert poles["rank"].isna().all()
    assert (poles["surface_max_k"] > 15).all()
    # The summer pole sees the Sun all day: it neither rises nor sets.
    north = table[table["name"] == "north pole"].iloc[0]
    assert pd.isna(north["first_light_utc"]) and north["daylight_h"] > 700


def test_a_site_that_never_sees_the_sun_or_the_earth_says_so(tmp_path):
    (tmp_path / "pit.csv").write_text("azimuth_deg,elevation_deg\n0,85\n")
    pit = Place("pit", -85.0, 0.0, skyline=(tmp_path / "pit.csv",))
    table = survey_sites(SCENARIO, [pit], *RANGE, jobs=1)
    assert len(table) == 1
    row = table.iloc[0]
    below = "it stays below the skyline"
    assert row["notes"] == f"no Sun: {below}; no Earth: {below}"
    assert row["daylight_h"] == row["contact_h"] == 0.0 and pd.isna(row["daylight_remaining_h"])
    # Only heat from below, (0.018 W/m2 / 0.95 sigma)^(1/4), and what the wall sends. That is
    # lit through the opening by a Sun up to 6.8 deg high, and no brighter than that light.
    brightest_w_m2 = 1361.0 * 1.035 * np.sin(np.radians(6.8))
    coldest_k, warmest_k = (np.array([0.018, brightest_w_m2]) / 0.95 / 5.670374e-8) ** 0.25
    assert coldest_k < row["surface_min_k"] < row["surface_max_k"] < warmest_k


def test_a_slope_to_the_east_is_warmed_as_its_own_ground(table):
    level, slope = (table[table["name"] == n]["surface_max_k"].max() for n in ("shelf", "slope"))
    assert abs(slope - level) > 0.5


def test_a_broken_site_is_a_row_and_harms_no_other(tmp_path, table):
    broken = Place("broken", 0.0, 0.0, skyline=(tmp_path / "gone.csv",))
    mixed = survey_sites(SCENARIO, [broken, *PLACES], *RANGE, jobs=1)
    assert mixed["notes"][0].startswith("not computed: ") and "gone.csv" in mixed["notes"][0]
    assert csv_text(mixed.iloc[1:]) == csv_text(table)


def test_a_bad_row_of_the_list_is_a_row_with_its_reason_and_no_mark_on_the_map(tmp_path, table):
    rows = [[p.name, p.latitude_deg, p.longitude_deg, p.height_m] for p in PLACES]
    wrong = ["nowhere", 95.0, 1.0, 2.0]
    path = tmp_path / "sites.csv"
    write_csv(pd.DataFrame([wrong, *rows], columns=SITE_COLUMNS), path)
    places = read_sites(path)
    assert [place.name for place in places] == ["nowhere", *(p.name for p in PLACES)]
    mixed = survey_sites(SCENARIO, [places[0], *PLACES], *RANGE, jobs=1)
    assert mixed["notes"][0] == (
        "not computed: row 2, latitude_deg = '95': allowed is a number from -90 to 90"
    )
    assert csv_text(mixed.iloc[1:]) == csv_text(table)
    save_figure(survey_map("survey", mixed), tmp_path / "map.png")


def test_a_site_whose_physics_fails_is_a_row_too(monkeypatch, table):
    real = sites_module.site_courses

    def fails_at_the_shelf(scenario, places, *rest):
        if any(p.name == "shelf" for p in places):
            raise ArithmeticError("no balance")
        return real(scenario, places, *rest)

    monkeypatch.setattr(sites_module, "site_courses", fails_at_the_shelf)
    mixed = survey_sites(SCENARIO, PLACES[:2], *RANGE, jobs=1)
    assert mixed[mixed["name"] == "shelf"]["notes"].tolist() == ["not computed: no balance"]
    assert mixed[mixed["name"] == "north pole"]["notes"].str.contains("the Sun climbs to").all()


def test_a_range_without_the_noon_of_a_site_is_said():
    short = RANGE[0], datetime(2028, 6, 25, tzinfo=UTC)
    table = survey_sites(SCENARIO, PLACES[1:3], *short, jobs=1)
    assert (table["notes"] == "no local noon in the range").any()


def test_stations_are_seen_as_one_by_one():
    station = Station(name="dish", latitude_deg=37.2, longitude_deg=-7.4, height_m=120.0)
    first = np.datetime64("2028-01-01", "s")
    view = station_track(open_ephemeris(), station.place, first, first + np.timedelta64(40, "D"))
    rng = np.random.default_rng(5)
    times = first + np.sort(rng.integers(0, 40 * 86400, 200)).astype("timedelta64[s]")
    latitude, longitude = np.array([62.4, -90.0, 0.0]), np.array([11.8, 0.0, 179.0])
    height_m = np.array([-1250.0, 5000.0, 0.0])
    together = view(times, latitude, longitude, height_m)
    for k, place in enumerate(zip(latitude, longitude, height_m)):
        alone = earth_station.station_view(open_ephemeris(), times, *place, 37.2, -7.4, 120.0)
        # As promised: the spline, and near the Sun the arc cosine.
        limits = [1e-4, 1e-4, 2e-3, 1e-4, 1e-4, 0.1]
        for ours, theirs, limit in zip(together, alone, limits):
            apart = ours[k] - theirs
            apart = apart if limit == 0.1 else (apart + 180) % 360 - 180
            assert np.abs(apart).max() < limit


# --- who works it out


def test_many_processes_give_the_same_bytes(two_at_a_time, in_chunks):
    assert csv_text(survey_sites(SCENARIO, PLACES, *RANGE, jobs=2)) == in_chunks


def test_a_dask_cluster_gives_the_same_bytes(two_at_a_time, in_chunks):
    distributed = pytest.importorskip("dask.distributed")
    told = []
    with distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        host="127.0.0.1",
        protocol="tcp",
        dashboard_address=None,
    ) as cluster:
        there = survey_sites(
            SCENARIO,
            PLACES,
            *RANGE,
            scheduler=cluster.scheduler_address,
            report=lambda *done: told.append(done),
        )
    assert csv_text(there) == in_chunks
    assert told[-1] == (5, 5) and len(told) == 3


def test_what_cannot_be_kept_is_told(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(TableError, match="cannot be written"):
        survey_sites(SCENARIO, PLACES[:1], *RANGE, jobs=1, keep=tmp_path / "file" / "survey.csv")


def test_planned_sites_are_shared_out_one_by_one_and_ranked_by_value(tmp_path):
    places, told = [PLACES[1], PLACES[2], PLACES[4]], []
    table = survey_sites(
        SCENARIO,
        places,
        *RANGE,
        planned=True,
        jobs=1,
        keep=tmp_path / "survey.csv",
        report=lambda *done: told.append(done),
    )
    assert told == [(k, 3) for k in range(1, 4)]
    lands = table["landing_opens_utc"].notna()
    assert table.loc[lands, "name"].tolist() == ["shelf", "slope"]
    assert (table.loc[lands, "value"] > 0).all() and table.loc[~lands, "value"].isna().all()
    assert (table.loc[lands, "value"] <= table.loc[lands, "bound"] + 1e-9).all()
    assert table["rank"].notna().equals(lands)
    alone = landing_days(SCENARIO, *RANGE, planned=True).table
    shelf = table[table["name"] == "shelf"]
    assert shelf["value"].tolist() == pytest.approx(alone["value"].tolist())
    by_rank = table[lands].sort_values("rank")
    assert by_rank["value"].is_monotonic_decreasing


def interrupted(scenario, places, output):
    """A survey stopped after its first chunk."""

    def stop(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        survey_sites(scenario, places, *RANGE, jobs=1, keep=output, report=stop)


def test_an_interrupted_survey_resumes_from_what_is_written(
    monkeypatch, tmp_path, two_at_a_time, in_chunks
):
    output = tmp_path / "survey.csv"
    interrupted(SCENARIO, PLACES, output)
    [parts] = tmp_path.glob(".survey.csv.*.parts")
    assert len(list(parts.glob("*.json"))) == 1
    real, worked = sites_module.chunk_rows, []

    def counted(job, places):
        worked.extend(p.name for p in places)
        return real(job, places)

    monkeypatch.setattr(sites_module, "chunk_rows", counted)
    resumed = survey_sites(SCENARIO, PLACES, *RANGE, jobs=1, keep=output)
    assert csv_text(resumed) == in_chunks
    assert len(worked) == len(PLACES) - 2
    # Kept until the table is written, then forgotten.
    assert parts.exists()
    forget_saved(output)
    assert not parts.exists()


def test_a_saved_chunk_that_was_changed_is_computed_again(tmp_path, two_at_a_time, in_chunks):
    output = tmp_path / "survey.csv"
    interrupted(SCENARIO, PLACES, output)
    [chunk] = tmp_path.glob(".survey.csv.*.parts/*.json")
    content = chunk.read_bytes()
    # Still good JSON, of the right form: a height that is not the site's.
    digit = content.index(b'"height_m": ') + 12
    chunk.write_bytes(content[:digit] + b"7" + content[digit:])
    resumed = survey_sites(SCENARIO, PLACES, *RANGE, jobs=1, keep=output)
    assert csv_text(resumed) == in_chunks


@pytest.mark.parametrize(
    "broken",
    [b"", b"[]", b"null", b"{", b"[[1]]", b"\xff\xfe", b"[" * 100_000, b"\n", b"x\n[]", b"NaN"],
)
def test_a_saved_chunk_that_is_none_is_as_good_as_missing(tmp_path, broken):
    store = sites_module._Store(tmp_path)
    store.write(0, [[{"name": "shelf"}]])
    assert store.read(0) == [[{"name": "shelf"}]] and store.read(1) is None
    [chunk] = tmp_path.iterdir()
    chunk.write_bytes(broken)
    assert store.read(0) is None


def test_a_skyline_that_never_ends_is_a_note_of_its_site(tmp_path):
    os.mkfifo(tmp_path / "endless.csv")
    place = Place("endless", 0.0, 0.0, skyline=(tmp_path / "endless.csv",))
    table = survey_sites(SCENARIO, [place], *RANGE, jobs=1, keep=tmp_path / "survey.csv")
    assert table["notes"].tolist() == [
        f"not computed: {tmp_path / 'endless.csv'}: cannot be read (a device or a pipe, not a file)"
    ]


def test_what_a_running_survey_has_saved_is_not_forgotten(tmp_path, two_at_a_time):
    output, seen = tmp_path / "survey.csv", []

    def another_ends(done, total):
        forget_saved(output)
        seen.append(len(list(tmp_path.glob(".survey.csv.*.parts/*.json"))))

    survey_sites(SCENARIO, PLACES, *RANGE, jobs=1, keep=output, report=another_ends)
    assert seen == list(range(1, len(seen) + 1)) and len(seen) > 1


def test_what_is_no_survey_of_this_output_is_not_forgotten(tmp_path):
    others = [".survey.csv.parts", ".survey.csv.notes.parts", ".b.csv.0123456789ab.parts"]
    for name in (*others, ".survey.csv.0123456789ab.parts"):
        (tmp_path / name).mkdir()
    forget_saved(tmp_path / "survey.csv")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(others)


def changed_place(scenario, folder):
    return scenario, [PLACES[0]._replace(latitude_deg=80.0)]


def changed_scenario(scenario, folder):
    """Another battery in a scenario that still has the hash of its file."""
    [lander] = scenario.platform
    battery = lander.battery.model_copy(update={"capacity_wh": 20.0})
    platform = lander.model_copy(update={"battery": battery})
    return scenario.model_copy(update={"platform": (platform,)}), PLACES[:1]


def changed_station_skyline(scenario, folder):
    (folder / "wall.csv").write_text("azimuth_deg,elevation_deg\n0,30\n")
    return read_scenario(folder / "small.toml"), PLACES[:1]


def same(scenario, folder):
    return scenario, PLACES[:1]


@pytest.mark.parametrize(
    ("change", "saved"),
    [(same, 1), (changed_place, 0), (changed_scenario, 0), (changed_station_skyline, 0)],
)
def test_a_survey_resumes_only_for_the_same_scenario_and_places(
    monkeypatch, tmp_path, change, saved
):
    (tmp_path / "wall.csv").write_text("azimuth_deg,elevation_deg\n0,10\n")
    walled = SMALL.replace("longitude_deg = 0.0\n", 'longitude_deg = 0.0\nskyline = "wall.csv"\n')
    (tmp_path / "small.toml").write_text(walled)
    scenario, output = read_scenario(tmp_path / "small.toml"), tmp_path / "survey.csv"
    monkeypatch.setattr(sites_module, "chunk_rows", lambda survey, places: [[] for place in places])
    interrupted(scenario, PLACES[:1], output)
    other, places = change(scenario, tmp_path)
    computed = []
    monkeypatch.setattr(
        sites_module,
        "chunk_rows",
        lambda survey, places: [computed.append(p) or [] for p in places],
    )
    survey_sites(other, places, *RANGE, jobs=1, keep=output)
    assert len(computed) == len(places) - saved


# --- elevation models


def test_each_model_is_read_once_and_its_cautions_are_in_the_notes(
    tmp_path, two_at_a_time, monkeypatch
):
    def hills(latitude, longitude):
        return 300 * np.sin(latitude * 40) * np.cos(longitude * 40)

    models = {
        name: in_degrees(tmp_path / f"{name}.tif", hills, (40.0, 10.0), 0.004, 601)
        for name in ("a", "b")
    }
    # From west to east the models take turns.
    places = [
        Place(f"{k}", 40.0, 10 + k / 10, float(hills(40.0, 10 + k / 10)), skyline=(models[name],))
        for k, name in enumerate("ababab")
    ]
    read, tile = [], model_windows._tile
    monkeypatch.setattr(model_windows, "_tile", lambda values: read.append(values) or tile(values))
    # Of one model alone the tiles are kept.
    monkeypatch.setattr(model_windows, "KEPT_BYTES", 3 * 1 * 90_000)
    monkeypatch.setattr(model_windows, "_kept", type(model_windows._kept)())
    table = survey_sites(SCENARIO, places, *RANGE, jobs=1)
    assert sum(values.size for values in read) == 2 * 601**2
    assert table["name"].drop_duplicates().tolist() == [place.name for place in places]
    assert table["notes"].str.contains("caution: in .* % of all azimuths the crest lies").any()


# --- the map, and the command


def test_map_shows_a_column_and_refuses_one_that_is_none(table, tmp_path):
    figure = survey_map("survey", table, "energy_share")
    save_figure(figure, tmp_path / "map.png")
    assert (tmp_path / "map.png").stat().st_size > 0
    assert [ax.get_ylabel() for ax in figure.axes] == [
        "latitude (deg, north positive)",
        "energy / requested",
    ]
    with pytest.raises(ObsplanError, match="--colour notes: no such column of numbers"):
        survey_map("survey", table, "notes")


@pytest.mark.parametrize("apart_h", [0.4, 60.0])
def test_colours_of_the_map_do_not_stretch_differences_that_do_not_matter(table, apart_h):
    light_h = 300.0 + apart_h * np.linspace(-1.0, 0.0, len(table))
    figure = survey_map("survey", table.assign(rank=1.0, useful_light_h=light_h))
    [dots] = [c for ax in figure.axes[:1] for c in ax.collections if c.get_array() is not None]
    low, high = dots.get_clim()
    # 1 % of useful light is a tenth of the scale at most.
    assert high - low >= 0.1 * 300 - 1e-6
    tones = dots.norm(dots.get_array())
    assert np.ptp(tones) < 0.02 if apart_h < 1 else np.ptp(tones) == pytest.approx(1.0)


def test_colours_of_what_is_never_negative_begin_at_nothing(table):
    figure = survey_map("survey", table.assign(rank=1.0, earth_hidden_h=0.0), "earth_hidden_h")
    [dots] = [c for ax in figure.axes[:1] for c in ax.collections if c.get_array() is not None]
    assert dots.get_clim() == (0.0, 10.0)


def test_a_map_of_many_sites_names_all_that_share_the_first_rank_or_none(table):
    many = pd.concat([table.head(1).assign(name=f"site {k}") for k in range(20)])
    for leaders, shown in ((1, 1), (3, 3), (20, 0)):
        ranks = [1.0] * leaders + [2.0] * (20 - leaders)
        figure = survey_map("survey", many.assign(rank=ranks, useful_light_h=300.0))
        assert len(figure.axes[0].texts) == shown


def test_names_stay_inside_the_map_and_landings_are_counted_whatever_colours_it(table):
    names = table["name"].unique()
    east = dict(zip(names, np.linspace(-170.0, 179.0, len(names))))
    spread = table.assign(longitude_deg=[east[name] for name in table["name"]], rank=1.0)
    spread["useful_light_h"] = 100.0
    spread.loc[spread["name"] == names[-1], "rank"] = np.nan
    figure = survey_map("survey", spread)
    figure.canvas.draw()
    ax = figure.axes[0]
    frame = ax.get_window_extent()
    for text in ax.texts:
        box = text.get_window_extent()
        assert frame.x0 <= box.x0 and box.x1 <= frame.x1
        assert frame.y0 <= box.y0 and box.y1 <= frame.y1
    lands = spread.groupby("name")["landing_opens_utc"].first().notna().sum()
    assert any(f"{lands} of 5 sites allow a landing" in t.get_text() for t in figure.texts)


def test_command_surveys_and_draws(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL)
    sites = "name,latitude_deg,longitude_deg,height_m\na,10,20,0\nb,-40,30,0\n"
    (tmp_path / "sites.csv").write_text(sites)
    common = ["sites", "small.toml", "sites.csv", "--from", "2028-06-20", "--to", "2028-07-20"]
    run = CliRunner().invoke
    made = run(main, [*common, "-o", "all.csv", "--figure", "map.svg", "--jobs", "1"])
    assert made.exit_code == 0, made.output
    assert "2 of 2 sites" in made.stderr and "1. " in made.stdout
    # A line for each of the best sites, whatever days they have.
    best = [line.split(".")[1].split(",")[0].strip() for line in made.stdout.splitlines()[:-1]]
    assert len(best) == len(set(best))
    assert {p.name for p in tmp_path.iterdir()} == {"small.toml", "sites.csv", "all.csv", "map.svg"}
    for options, words in (
        (["--colour", "price", "--figure", "map.png"], "--colour price"),
        (["--colour", "value", "--figure", "map.png"], "--colour value: only a survey with --plan"),
        (["-o", "."], "a directory; name a file"),
        (["--figure", "map.gif"], "map.gif"),
        (["--to", "2028-06-01"], "is empty"),
        (["--to", "2051-06-01"], "2050"),
    ):
        refused = run(main, [*common, "-o", "other.csv", *options])
        assert refused.exit_code == 2 and words in refused.stderr, refused.output
    assert not list(tmp_path.glob("*other*")) and not list(tmp_path.glob(".*"))


def test_command_tells_once_that_the_march_is_not_compiled(tmp_path, monkeypatch):
    monkeypatch.setattr("obsplan.physics.heat_conduction.MANY", 2)
    for module in ("compiled_march", "heat_conduction"):
        plain = March(None, "no compiler here")
        monkeypatch.setattr(f"obsplan.physics.{module}.compiled_march", lambda found=plain: found)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL)
    sites = "name,latitude_deg,longitude_deg,height_m\na,10,20,0\nb,-40,30,0\n"
    (tmp_path / "sites.csv").write_text(sites)
    words = ["sites", "small.toml", "sites.csv", "--from", "2028-06-20", "--to", "2028-07-20"]
    made = CliRunner().invoke(main, [*words, "-o", "all.csv", "--jobs", "1"])
    assert made.exit_code == 0 and made.stderr.count("no compiler here") == 1, made.output
