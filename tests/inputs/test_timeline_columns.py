"""One table of the columns of timeline.csv, for planner, reader and explanations."""

import pytest
from tools.small import scenario, world

import obsplan.planning.problem.timeline_table as timeline_table
from obsplan.inputs.outcomes import STATES
from obsplan.inputs.timeline_columns import (
    COMPARED,
    NEEDED,
    READ_COLUMNS,
    REPLANNED,
    REPLANNED_COLUMNS,
    TIMELINE,
    TIMELINE_COLUMNS,
)
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import described, slots_table

SCENE = scenario({"name": "look", "data_mbit": 1.0, "power_w": 5.0})


def written(rows=(("look", 2, 3), ("lander downlink", 3, 5))):
    environment = world(SCENE)
    return described(environment, build_problem(environment), slots_table(SCENE, list(rows)))


def test_a_timeline_has_exactly_the_columns_of_the_table_in_its_order():
    table = written()
    assert tuple(table.columns) == TIMELINE_COLUMNS
    assert table.iloc[0].notna().all()
    assert tuple(written(rows=()).columns) == TIMELINE_COLUMNS


def test_a_column_that_the_table_does_not_know_cannot_be_written(monkeypatch):
    known = tuple(c for c in TIMELINE_COLUMNS if c != "contact")
    monkeypatch.setattr(timeline_table, "TIMELINE_COLUMNS", known)
    with pytest.raises(ValueError):
        written()


def test_what_a_reader_takes_is_what_a_writer_writes_with_units_in_the_names():
    assert set(NEEDED) < set(READ_COLUMNS) < {*TIMELINE_COLUMNS, *REPLANNED_COLUMNS}
    assert set(COMPARED) < set(TIMELINE_COLUMNS) - set(READ_COLUMNS)
    for column in (*TIMELINE, *REPLANNED):
        unit = column.name.rpartition("_")[2] if "_" in column.name else ""
        assert column.unit.lower() == unit.replace("utc", ""), column
        assert column.meaning and not column.meaning.endswith(".")
    (state,) = [c for c in TIMELINE if c.name == "state"]
    assert state.meaning == f"{', '.join(STATES[:-1])} or {STATES[-1]}"
