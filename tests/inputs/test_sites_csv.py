"""The list of sites: what may be left out, and what is refused."""

from math import isnan

import pytest

from obsplan.common.errors import TableError
from obsplan.inputs.sites_csv import Place, read_sites

HEADER = "name,latitude_deg,longitude_deg,height_m\n"


def written(tmp_path, text):
    (tmp_path / "sites.csv").write_text(text)
    return tmp_path / "sites.csv"


def test_sites_are_read_with_what_may_be_left_out(tmp_path):
    path = written(
        tmp_path,
        "name, longitude_deg,latitude_deg,height_m,skyline,slope_deg\n"
        "ridge,11.5,62.25,-1250,around.csv,3\n\nplain,340,-5,0,,\nshelf,1,2,3,flat,\n",
    )
    ridge, plain, shelf = read_sites(path)
    assert ridge == Place("ridge", 62.25, 11.5, -1250.0, 3.0, 0.0, (tmp_path / "around.csv",))
    assert plain == Place("plain", -5.0, 340.0)
    assert shelf.skyline == ()


LATITUDES = "allowed is a number from -90 to 90"
LONGITUDES = "allowed is a number from -180 to 360"


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        (HEADER, ["no row below the header; at least one is needed"]),
        (
            HEADER.replace("\n", ",slope\n") + "a,1,2,3,4\n",
            ["row 1: no such column 'slope'; did you mean 'slope_deg'?"],
        ),
        (HEADER + ",1,2,3\n", ["row 2, name is missing: every site needs its own"]),
        (HEADER + "a,91,2,3\n", [f"row 2, latitude_deg = '91': {LATITUDES}"]),
        (HEADER + "a,1,east,3\n", [f"row 2, longitude_deg = 'east': {LONGITUDES}"]),
        (
            HEADER + "a,1,2,\nb,4,nan,\n",
            [
                "rows 2 and 3, height_m is missing: allowed is a number from -20000 to 20000",
                f"row 3, longitude_deg = 'nan': {LONGITUDES}",
            ],
        ),
    ],
)
def test_mistakes_in_a_site_file_are_named(tmp_path, text, lines):
    path = written(tmp_path, text)
    with pytest.raises(TableError) as told:
        read_sites(path)
    assert str(told.value).splitlines() == [f"{path}: {line}" for line in lines]


def test_a_bad_row_is_a_place_with_its_problem_and_the_others_are_read(tmp_path):
    (tmp_path / "out.csv").symlink_to("/etc/hostname")
    path = written(
        tmp_path,
        "name,latitude_deg,longitude_deg,height_m,slope_deg,skyline\n"
        "a,1,2,3,4,\n"
        "b,95,2,3,4,\n"
        "a,1,2,3,4,flat\n"
        ",east,2,,4,\n"
        "d,1,2,3,4,flat,north\n"
        "e\0,1,2,3,4,\n"
        "f,1,2,3,4,out.csv\n"
        "g,1,2,3,4,around.csv\n",
    )
    problems = {
        "a": "",
        "b": f"row 3, latitude_deg = '95': {LATITUDES}",
        "a again": "row 4, name = 'a': row 2 has it already; names must differ",
        "": "row 5, name is missing: every site needs its own; "
        f"row 5, latitude_deg = 'east': {LATITUDES}; "
        "row 5, height_m is missing: allowed is a number from -20000 to 20000",
        "d": "row 6: 'north' is right of the last column of the header; put a cell that contains "
        "the separator in quotes",
        "e\0": "row 7, name = 'e\0': contains a control character, which no text has",
        "f": "row 8, skyline = 'out.csv': leads out of the folder of this file; move the file "
        "there, or allow it with --allow-outside (allow_outside=True)",
        "g": "",
    }
    found = read_sites(path)
    assert [place.name for place in found] == [name.removesuffix(" again") for name in problems]
    assert [place.problem for place in found] == list(problems.values())
    assert found[1].longitude_deg == 2 and isnan(found[1].latitude_deg)
    assert read_sites(path, allow_outside=True)[6].problem == ""


def test_a_bad_number_in_row_713_is_named(tmp_path):
    rows = [f"site {k},{k % 90},{k % 180},0" for k in range(2, 1001)]
    rows[711] = "site 713,7o,1,0"
    rows[900] = "site 902,1,1,high"
    found = read_sites(written(tmp_path, HEADER + "\n".join(rows)))
    first, second = (place.problem for place in found if place.problem)
    assert "row 713, latitude_deg = '7o'" in first and "row 902, height_m" in second
