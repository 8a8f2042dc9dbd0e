"""Inputs of every kind, mangled: each ends in 0, 1 or 2 with clear lines, in little memory."""

import json
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path
from random import Random

import pytest
from tools.mangled import MANGLED
from tools.models import in_degrees
from tools.mutator import ANY_FILE, NO_TEXT, OWN, PARTS, TEXT, mangled
from tools.sound_inputs import FILES

from obsplan.inputs.conditions import QUANTITIES
from obsplan.inputs.key_reference import parts

TESTS = Path(__file__).parents[1]
NORMAL, ALL = 200, 2000


def run(first: int, count: int) -> list[dict]:
    """What the cases of these seeds did, in a process of their own."""
    ran = subprocess.run(
        [sys.executable, "-m", "tools.mangled", str(first), str(count)],
        cwd=TESTS,
        capture_output=True,
        text=True,
    )
    # What a library writes past Python's own stream would be here.
    assert ran.returncode == 0 and not ran.stderr, ran.stderr[-2000:]
    outcomes = [json.loads(line) for line in ran.stdout.splitlines()]
    assert [outcome["seed"] for outcome in outcomes] == list(range(first, first + count))
    return outcomes


def refuse_wrong(outcomes: list[dict]) -> None:
    wrong = [outcome for outcome in outcomes if outcome["wrong"]]
    assert not wrong, json.dumps(wrong, indent=1)[:5000]


def test_200_mangled_inputs_end_in_0_1_or_2_with_clear_lines():
    outcomes = run(0, NORMAL)
    refuse_wrong(outcomes)
    kinds, codes = (Counter(outcome[key] for outcome in outcomes) for key in ("kind", "code"))
    assert set(kinds) == set(MANGLED)
    # Neither are all refused at the door, nor is nothing.
    assert codes[0] > NORMAL // 10 and codes[2] > NORMAL // 3


@pytest.mark.long
@pytest.mark.parametrize("first", range(NORMAL, ALL, NORMAL))
def test_all_other_mangled_inputs_do_too(first):
    refuse_wrong(run(first, NORMAL))


# Those of one key are some of those of the whole file.
@pytest.mark.parametrize("kind", [kind for kind in OWN if " " not in kind])
def test_every_mutation_changes_something_and_the_same_seed_gives_the_same(kind, tmp_path):
    sound = {
        "toml": FILES["small.toml"].encode(),
        "csv": FILES["timeline.csv"].encode(),
        "text": b"lines = 9\nsamples = 0.25\n",
        "bytes": bytes(range(256)),
        "tif": in_degrees(
            tmp_path / "a.tif", lambda y, x: 0 * y + 1, (4.0, 1.0), 0.05, 9
        ).read_bytes(),
    }[kind]
    more = {} if kind in NO_TEXT else TEXT
    for name, mutation in {**OWN[kind], **ANY_FILE, **more}.items():
        assert any(mutation(sound, Random(seed)) != sound for seed in range(20)), name
    results = [mangled(kind, sound, Random(seed)) for seed in range(40)]
    assert results == [mangled(kind, sound, Random(seed)) for seed in range(40)]
    assert len({content for content, _ in results}) > 20


def without(node, names):
    """Nested tables without the keys of these names."""
    if isinstance(node, list):
        return [without(each, names) for each in node]
    if isinstance(node, dict):
        return {key: without(value, names) for key, value in node.items() if key not in names}
    return node


@pytest.mark.parametrize("names", PARTS)
def test_of_some_keys_nothing_beside_them_is_mangled(names):
    sound = FILES["flying.toml" if names == "orbit" else "small.toml"]
    mutation = OWN[f"toml {names}"]["other value"]
    before = tomllib.loads(sound)
    for seed in range(20):
        after = tomllib.loads(mutation(sound.encode(), Random(seed)).decode())
        rest = [without(table, names.split()) for table in (before, after)]
        assert after != before and rest[0] == rest[1]


def keys_below(node, path=""):
    """The path of every key of nested tables, as in platform.radio.to."""
    if isinstance(node, list):
        for each in node:
            yield from keys_below(each, path)
    if isinstance(node, dict):
        for key, value in node.items():
            yield f"{path}{key}"
            yield from keys_below(value, f"{path}{key}.")


@pytest.mark.parametrize("file", ["small.toml", "state.toml"])
def test_every_key_that_a_user_may_write_is_mangled(file):
    telemetry = file == "state.toml"
    there = set(keys_below(tomllib.loads(FILES[file])))
    if not telemetry:
        there |= set(keys_below(tomllib.loads(FILES["flying.toml"])))
    for name, part in parts().items():
        if name == "timeline" or name.startswith("telemetry") != telemetry:
            continue
        path = name.partition(".")[2] if telemetry else name.removeprefix("scenario")
        for key in part.keys:
            quantity = QUANTITIES.get(key.name)
            if path == "platform.drive.when" and quantity and quantity.only == "orbit":
                continue  # no rover may have it
            assert f"{path}.{key.name}".lstrip(".") in there, f"{name}: {key.name}"
