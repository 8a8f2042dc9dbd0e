"""The table of hazards: circles, polygons, and a line for each mistake."""

import pytest

from obsplan.common.errors import TableError
from obsplan.inputs.hazards_csv import NamedHazard, read_hazards
from obsplan.physics.hazard_shapes import Circle, Polygon


def read(tmp_path, text):
    path = tmp_path / "hazards.csv"
    path.write_text(text)
    return read_hazards(path)


def test_circles_have_a_radius_and_polygons_a_row_for_each_corner(tmp_path):
    found = read(
        tmp_path,
        "name,east_m,north_m,radius_m\nblocks,1,2,\n,10,-5,2.5\nblocks,4,2,\nblocks,4,6,\n",
    )
    assert found == (
        NamedHazard("blocks", Polygon(((1.0, 2.0), (4.0, 2.0), (4.0, 6.0)))),
        NamedHazard("", Circle((10.0, -5.0), 2.5)),
    )


def test_circles_alone_need_no_names(tmp_path):
    assert len(read(tmp_path, "east_m;north_m;radius_m\n1,5;2;3\n4;5;6\n")) == 2
    assert read(tmp_path, "east_m,north_m\n") == ()


@pytest.mark.parametrize(
    ("rows", "line"),
    [
        ("a,x,2,3", "row 2, east_m = 'x': allowed is a number from -100000 to 100000"),
        ("a,1,,3", "row 2, north_m is missing: allowed is a number from -100000 to 100000"),
        ("a,1,2,0", "row 2, radius_m = '0': allowed is a number from 0.01 to 100000"),
        (",1,2,", "row 2: give a radius_m for a circle, or a name for the corners of a polygon"),
        (
            "a,1,2,\na,1,2,\na,3,4,",
            "row 4: the polygon 'a' has fewer than 3 corners; allowed are 3 or more",
        ),
    ],
)
def test_a_mistake_is_named_with_file_and_row(tmp_path, rows, line):
    with pytest.raises(TableError) as caught:
        read(tmp_path, f"name,east_m,north_m,radius_m\n{rows}\n")
    assert str(caught.value) == f"{tmp_path / 'hazards.csv'}: {line}"


def test_more_hazards_than_paths_can_be_found_around_are_refused(tmp_path):
    with pytest.raises(TableError, match="2001 hazards; at most 2000 are allowed"):
        read(tmp_path, "east_m,north_m,radius_m\n" + "1,2,3\n" * 2001)
