"""A first scenario: demo or short, its schema beside it, and nothing overwritten."""

import json
import tomllib
from datetime import datetime
from pathlib import Path

import pytest

import obsplan.examples
from obsplan.checking.check import check_timeline
from obsplan.common.errors import ScenarioError
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.inputs.read_state import read_state
from obsplan.inputs.scenario import INNER, Scenario
from obsplan.inputs.starter import SCHEMA_LINE, schema_text, write_starter
from obsplan.planning.plan import make_plan

EXAMPLES = Path(obsplan.examples.__file__).parent
JSON_KINDS = {
    "string": (str, datetime),
    "number": (int, float),
    "integer": int,
    "boolean": bool,
    "null": type(None),
    "array": list,
    "object": dict,
}


def misfits(schema: dict, rule: dict, value, place: str = "") -> list[str]:
    """Where `value` leaves the schema, as far as kinds, keys, choices and limits go."""
    if "$ref" in rule:
        return misfits(schema, schema["$defs"][rule["$ref"].rpartition("/")[2]], value, place)
    if "anyOf" in rule:
        tries = [misfits(schema, option, value, place) for option in rule["anyOf"]]
        return min(tries, key=len)
    kind = rule.get("type")
    wrong_kind = kind and not isinstance(value, JSON_KINDS[kind])
    if wrong_kind or (isinstance(value, bool) and kind in ("number", "integer")):
        return [f"{place}: {value!r} is no {kind}"]
    found = []
    if "enum" in rule and value not in rule["enum"]:
        found.append(f"{place}: {value!r} is none of {rule['enum']}")
    if value < rule["minimum"] if "minimum" in rule else False:
        found.append(f"{place}: {value!r} is too small")
    if value > rule["maximum"] if "maximum" in rule else False:
        found.append(f"{place}: {value!r} is too large")
    if kind == "object":
        properties = rule["properties"]
        found += [f"{place}.{key}: missing" for key in rule.get("required", []) if key not in value]
        found += [f"{place}.{key}: unknown" for key in value if key not in properties]
        for key in value.keys() & properties.keys():
            found += misfits(schema, properties[key], value[key], f"{place}.{key}")
    if kind == "array":
        if not rule.get("minItems", 0) <= len(value) <= rule.get("maxItems", len(value)):
            found.append(f"{place}: {len(value)} items")
        rules = rule.get("prefixItems", [rule.get("items", {})] * len(value))
        for number, (item, part) in enumerate(zip(rules, value)):
            found += misfits(schema, item, part, f"{place}[{number}]")
    return found


def test_starter_is_the_demo(tmp_path):
    paths = write_starter(tmp_path / "mine")
    names = ["scenario.toml", "skyline.csv", "scenario.schema.json"]
    assert [p.name for p in paths] == names
    assert sorted(p.name for p in (tmp_path / "mine").iterdir()) == sorted(names)
    assert (
        read_scenario(paths[0]).model_dump() == read_scenario(EXAMPLES / "demo.toml").model_dump()
    )
    first, _, rest = paths[0].read_text().partition("\n")
    assert first == SCHEMA_LINE.strip() == f"#:schema ./{paths[2].name}"
    assert rest == (EXAMPLES / "demo.toml").read_text()


def test_minimal_scenario_is_short_and_its_plan_holds(tmp_path):
    paths = write_starter(tmp_path, minimal=True)
    assert [p.name for p in paths] == ["scenario.toml", "scenario.schema.json"]
    lines = [line for line in paths[0].read_text().splitlines() if line.strip()]
    assert len(lines) <= 60
    scenario = read_scenario(paths[0])
    offered = make_environment(scenario)
    made = make_plan(offered, effort="low")
    assert check_timeline(offered, made.timeline).is_valid
    placed = set(made.timeline["activity"]) - set(scenario.sending_names)
    assert placed == {a.name for a in scenario.activity}
    assert len(made.unplaced), "a first plan should show what did not fit, and why"


def test_schema_is_the_same_text_each_time_and_knows_no_inner_field(tmp_path):
    full = write_starter(tmp_path / "full")[-1]
    short = write_starter(tmp_path / "short", minimal=True)[-1]
    assert full.read_bytes() == short.read_bytes() == schema_text().encode()
    keys = json.loads(schema_text())["properties"].keys()
    assert keys == Scenario.model_fields.keys() - set(INNER)


@pytest.mark.parametrize("name", ["demo.toml", "minimal.toml"])
def test_schema_accepts_the_examples(name):
    schema = json.loads(schema_text())
    raw = tomllib.loads((EXAMPLES / name).read_text())
    assert misfits(schema, schema, raw) == []


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda raw: raw["site"].update(latitude=3.0), "site.latitude: unknown"),
        (lambda raw: raw["site"].pop("latitude_deg"), "site.latitude_deg: missing"),
        (lambda raw: raw["site"].update(latitude_deg=91.0), "site.latitude_deg: 91.0 is too large"),
        (lambda raw: raw["span"].update(step_min=7.5), "span.step_min: 7.5 is no integer"),
        (lambda raw: raw["platform"][0].update(kind="hopper"), "kind: 'hopper' is none of"),
        (lambda raw: raw["activity"][2]["when"].update(surface_temperature_k=[3.0]), "1 items"),
        (lambda raw: raw.update(folder="."), "folder: unknown"),
    ],
)
def test_schema_and_reading_refuse_the_same(spoil, words):
    schema = json.loads(schema_text())
    raw = tomllib.loads((EXAMPLES / "minimal.toml").read_text())
    spoil(raw)
    assert words in "\n".join(misfits(schema, schema, raw))
    with pytest.raises(ScenarioError):
        scenario_from(raw)


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "skyline.csv").write_text("mine")
    with pytest.raises(ScenarioError, match="skyline.csv: already exists"):
        write_starter(tmp_path)
    assert (tmp_path / "skyline.csv").read_text() == "mine"
    assert not (tmp_path / "scenario.toml").exists()


def test_nothing_is_left_when_a_file_cannot_be_written(tmp_path, monkeypatch):
    write = Path.write_bytes

    def full(path, content):
        if "schema" in path.name:
            raise OSError(28, "No space left on device")
        return write(path, content)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(ScenarioError, match="No space left"):
        write_starter(tmp_path / "mine")
    assert list((tmp_path / "mine").iterdir()) == []


def test_a_file_in_the_way_is_told(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(ScenarioError):
        write_starter(tmp_path / "taken" / "inside")


def test_the_example_of_telemetry_fits_the_demo(demo):
    state = read_state(EXAMPLES / "telemetry.toml", demo.scenario)
    assert state.platform[0].state_of_charge == 0.71
    assert {table: len(getattr(state, table)) for table in ("instrument", "station", "slot")} == {
        "instrument": 1,
        "station": 1,
        "slot": 1,
    }


def test_a_start_that_cannot_be_written_leaves_nothing(tmp_path, monkeypatch):
    real = Path.write_bytes

    def refuse_the_schema(path, content):
        if "schema" in path.name:
            raise OSError(28, "No space left on device")
        return real(path, content)

    monkeypatch.setattr(Path, "write_bytes", refuse_the_schema)
    with pytest.raises(ScenarioError, match="cannot be written .No space left"):
        write_starter(tmp_path)
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(ScenarioError, match="taken: cannot be written"):
        write_starter(tmp_path / "taken")
