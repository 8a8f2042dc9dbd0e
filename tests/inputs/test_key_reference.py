"""Every key that a user may write is explained, and its name says its unit."""

import pytest

from obsplan.inputs import key_reference
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.key_reference import UNITS, parts, unit_of
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.telemetry_file import State

PARTS = parts()
KEYS = [(p.name, key) for p in PARTS.values() for key in p.keys if p.name != "timeline"]
# Numbers without a unit: shares, counts and points of value.
PURE = {
    *("normal_albedo", "emissivity", "efficiency", "dust_loss", "reserve", "start", "end"),
    *("charge_efficiency", "discharge_efficiency", "state_of_charge", "array_factor"),
    *(
        "sun_visible_fraction",
        "earth_visible_fraction",
        "count",
        "must",
        "value",
        "repeat_worth",
        "stations",
        "edges",
    ),
    *("run_heat_share", "taper_above", "fade", "priority", "at_once", "first_runs_in_contact"),
    *("runs_each", "minimum_value", "bins"),
    *("power_share", "energy_share", "store_share", "link_share"),
    *("samples", "seed", "factor", "chance", "detour", "value_factor", "target"),
}


# What reading makes of activities and goals at stops, which nobody writes.
MADE_BY_READING = "obsplan.inputs.placed"


def models(root=FrozenModel):
    for model in root.__subclasses__():
        if model.__module__ != MADE_BY_READING:
            yield model
        yield from models(model)


@pytest.mark.parametrize("model", sorted(models(), key=lambda m: m.__name__))
def test_every_field_of_every_model_is_described_in_sentences(model):
    for name, field in model.model_fields.items():
        text = field.description or ""
        assert len(text) > 8 and text.rstrip().endswith("."), f"{model.__name__}.{name}: {text!r}"
    assert (model.__doc__ or "").rstrip().endswith("."), model.__name__


def test_every_model_is_a_part_that_can_be_asked_for():
    described = {part.description for part in PARTS.values()}
    for model in models():
        if model.__module__.startswith("obsplan."):
            assert " ".join(model.__doc__.split()) in described, model.__name__


@pytest.mark.parametrize(("part", "key"), KEYS, ids=[f"{p}.{k.name}" for p, k in KEYS])
def test_a_number_has_its_unit_in_its_name_or_has_none(part, key):
    is_number = key.allowed[:1].isdigit() or key.allowed.startswith(
        ("whole", "above", "[", "list, each", "list of rising", "-")
    )
    if is_number:
        assert bool(key.unit) != (key.name in PURE), f"{part}.{key.name}"
    elif key.unit:
        assert key.unit == "UTC", f"{part}.{key.name} is no number"


def test_longer_endings_come_before_shorter_ones():
    endings = list(UNITS)
    for number, ending in enumerate(endings):
        assert not any(ending.endswith(other) for other in endings[:number])
    assert unit_of("g_over_t_db_k") == "dB/K" and unit_of("slope_deg") == "deg"
    assert unit_of("heat_flow_w_m2") == "W/m2" and unit_of("area_m2") == "m2"
    assert unit_of("temperature_coefficient_per_k") == "1/K" and unit_of("count") == ""


def test_descriptions_reach_the_schema():
    schema = Scenario.model_json_schema()
    count = schema["$defs"]["Activity"]["properties"]["count"]
    assert count["description"].startswith("Number of runs requested;")
    assert schema["$defs"]["Battery"]["description"].startswith("The battery of a platform.")


@pytest.mark.parametrize(
    ("part", "name", "unit", "default", "allowed"),
    [
        ("site", "latitude_deg", "deg", "required", "-90 to 90"),
        ("site", "skyline", "", '"flat"', "file name or list of them"),
        ("site", "depths_m", "m", "[0.1, 0.3]", "list, each above 0 to 2"),
        ("span", "start_utc", "UTC", "required", "2028-07-01T00:00:00Z"),
        ("span", "step_min", "min", "15", "whole, 1 to 120"),
        ("station", "mask_deg", "deg", "10", "0 to 90"),
        ("station", "g_over_t_db_k", "dB/K", "optional", "-300 to 300"),
        ("platform", "one_at_a_time", "", "false", "true or false"),
        ("platform", "array", "", "optional", "list of tables"),
        ("platform.array", "facing", "", '"sun"', '"sun", "fixed"'),
        ("platform.radio", "to", "", '"earth"', "name"),
        ("activity", "must", "", "0", "whole, 0 to 2000"),
        ("activity", "not_with", "", "optional", "list of names"),
        ("activity.when", "local_time_h", "h", "optional", "[from, to], 0 to 24"),
        ("activity.when", "ground", "", "optional", "table"),
        ("activity.when", "in_magnetotail", "", "optional", "true or false"),
        ("landing", "stations", "", "1", "1, 2"),
        ("landing", "sun_elevation_deg", "deg", "[6, 12]", "[low, high]"),
        ("telemetry.platform", "state_of_charge", "", "optional", "0 to 1"),
        ("telemetry.slot", "reason", "", "optional", "text in one line"),
    ],
)
def test_unit_default_and_allowed_values_of_a_key(part, name, unit, default, allowed):
    (key,) = [key for key in PARTS[part].keys if key.name == name]
    assert (key.unit, key.default, key.allowed) == (unit, default, allowed)


def test_fields_that_reading_fills_in_are_no_keys():
    names = {key.name for key in PARTS["scenario"].keys}
    assert names == {n for n, f in Scenario.model_fields.items() if not f.exclude}
    assert "input_hash" not in names and PARTS["telemetry"].keys[0].name in State.model_fields


def test_the_timeline_says_what_a_reader_needs():
    columns = {key.name: key for key in PARTS["timeline"].keys}
    required = [name for name, key in columns.items() if key.default == "required"]
    assert required == ["activity", "start_utc"]
    assert columns["state"].default == "optional" and columns["value"].default == "written"
    assert columns["duration_min"].default == "compared" and columns["reason"].default == "optional"
    assert all(key.unit == unit_of(name) for name, key in columns.items())
    assert all(key.description.endswith(".") for key in columns.values())


def test_headings_are_those_of_the_file():
    assert PARTS["platform.radio.budget"].heading == "[platform.radio.budget] of the scenario"
    assert PARTS["platform.array"].heading == "[[platform.array]] of the scenario"
    assert PARTS["telemetry.slot"].heading == "[[slot]] of the telemetry file"
    assert key_reference.parts() == PARTS
