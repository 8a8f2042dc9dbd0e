"""Opening kernels: what they cover, and one clear line for whatever is wrong with them."""

import shutil

import numpy as np
import pytest

import obsplan.ephemeris
from obsplan.common.errors import EphemerisError
from obsplan.ephemeris import HERE, open_ephemeris

POSITIONS = "de421_1990_2050.bsp"
ORIENTATION = "moon_pa_de421_1990_2050.bpc"
FRAMES = "moon_me_de421.tf"


@pytest.fixture
def copy(tmp_path):
    """A directory with copies of the kernels and their sums, free to be spoilt."""
    for name in (POSITIONS, ORIENTATION, FRAMES, "SHA256SUMS"):
        shutil.copy(HERE / name, tmp_path / name)
    return tmp_path


def refusal(directory) -> str:
    with pytest.raises(EphemerisError) as caught:
        open_ephemeris(directory)
    message = str(caught.value)
    assert str(directory) in message and "\n" not in message
    return message


def utc(*texts) -> np.ndarray:
    return np.array(texts, dtype="datetime64[us]")


def test_the_installed_kernels_open_and_cover_1990_to_2050():
    ephemeris = open_ephemeris()
    assert f"{ephemeris.first:%Y-%m-%d}" == "1989-12-31"  # TDB is a minute ahead of UTC
    assert f"{ephemeris.last:%Y-%m-%d}" == "2049-12-31"
    assert set(ephemeris.files) == {POSITIONS, ORIENTATION, FRAMES}
    assert open_ephemeris() is ephemeris


def test_positions_and_orientation_hold_at_both_ends_of_the_span():
    ephemeris = open_ephemeris()
    ends = [end.replace(tzinfo=None) for end in (ephemeris.first, ephemeris.last)]
    time = ephemeris.time(np.array(ends, dtype="datetime64[us]"))
    sun = ephemeris.moon.at(time).observe(ephemeris.sun)  # light left before the first instant
    assert sun.distance().au == pytest.approx([0.983, 0.983], abs=0.004)  # both early January
    turn = ephemeris.moon_frame.rotation_at(time)
    assert np.einsum("ijn,kjn->nik", turn, turn) == pytest.approx(np.stack([np.eye(3)] * 2))


def test_leap_seconds_are_counted():
    ephemeris = open_ephemeris()
    time = ephemeris.time(utc("2016-12-31T23:59:59", "2017-01-01T00:00:00", "2017-01-01T00:00:01"))
    elapsed = np.diff(time.tt_fraction + (time.whole - time.whole[0])) * 86400
    assert elapsed == pytest.approx([2.0, 1.0], abs=1e-4)
    assert (time.tt - 2451545.0)[1] * 86400 == pytest.approx(
        (utc("2017-01-01") - utc("2000-01-01T12:00:00"))[0] / np.timedelta64(1, "s") + 69.184,
        abs=1e-4,  # a Julian date in one number resolves 40 microseconds
    )


def test_fractions_of_a_second_count():
    time = open_ephemeris().time(utc("2027-03-01T00:00:00", "2027-03-01T00:00:00.250"))
    assert np.diff(time.tt_fraction) * 86400 == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize("when", ["1989-12-30", "2050-01-02", "1600-01-01", "NaT"])
def test_dates_outside_the_kernels_are_named_with_the_span(when):
    with pytest.raises(EphemerisError) as caught:
        open_ephemeris().time(utc("2027-01-01", when))
    message = str(caught.value)
    assert when in message and "1989-12-31 to 2049-12-31" in message and "\n" not in message
    assert POSITIONS in message and "--ephemeris DIR" in message


def test_no_dates_are_no_error():
    ephemeris = open_ephemeris()
    assert ephemeris.moon.at(ephemeris.time(utc())).xyz.km.shape == (3, 0)


@pytest.mark.parametrize("name", [POSITIONS, ORIENTATION])
def test_one_changed_byte_is_damage(copy, name):
    content = bytearray((copy / name).read_bytes())
    content[len(content) // 2] ^= 1
    (copy / name).write_bytes(content)
    message = refusal(copy)
    assert name in message and "damaged" in message and "rebuild.py" in message


def test_a_changed_angle_of_the_frame_is_damage(copy):
    """A frame text with another angle reads well and moves every site: only the sum tells."""
    text = (copy / FRAMES).read_text()
    changed = text.replace("( 67.92,", "( 67.93,")
    assert changed != text
    (copy / FRAMES).write_text(changed)
    message = refusal(copy)
    assert FRAMES in message and "damaged" in message
    (copy / "SHA256SUMS").unlink()
    open_ephemeris(copy)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda sums: sums.unlink(), "missing, so nothing says whether the installed kernels are"),
        (lambda sums: sums.write_text(""), f"has no line for {POSITIONS}"),
        (lambda sums: sums.write_text("\n \n"), "is not a list of sums and file names"),
        (lambda sums: sums.write_bytes(b"\xff\0"), "is not a list of sums and file names"),
        (
            lambda sums: sums.write_text("".join(sums.open().readlines()[:1])),
            f"has no line for {ORIENTATION}",
        ),
    ],
)
def test_without_whole_sums_beside_them_the_installed_kernels_are_refused(
    copy, monkeypatch, spoil, words
):
    """A damaged kernel would read well: one byte of these positions moves the Sun by 28 626 km."""
    monkeypatch.setattr(obsplan.ephemeris, "HERE", copy)
    spoil(copy / "SHA256SUMS")
    content = bytearray((copy / POSITIONS).read_bytes())
    content[len(content) // 2] ^= 1
    (copy / POSITIONS).write_bytes(content)
    message = refusal(copy)
    assert message.startswith(f"{copy / 'SHA256SUMS'}: {words}") and "rebuild.py" in message


def test_sums_in_a_directory_of_ones_own_must_list_every_kernel_if_they_are_there(copy):
    lines = (copy / "SHA256SUMS").read_text().replace("  ", " *").splitlines(keepends=True)
    (copy / "SHA256SUMS").write_text("".join(lines))
    assert open_ephemeris(copy).files == open_ephemeris().files
    open_ephemeris.cache_clear()
    (copy / "SHA256SUMS").write_text("".join(lines[:2]))
    assert f"has no line for {FRAMES}" in refusal(copy)


def test_every_installed_kernel_is_summed():
    lines = (HERE / "SHA256SUMS").read_text().splitlines()
    listed = {name: digest for digest, name in map(str.split, lines)}
    assert listed == open_ephemeris().files


@pytest.mark.parametrize("name", [POSITIONS, ORIENTATION, FRAMES])
def test_a_missing_file_is_named_by_its_kind(copy, name):
    (copy / name).unlink()
    assert f"0 files end in .{name.rsplit('.')[-1]}" in refusal(copy)


def test_two_files_of_a_kind_are_one_too_many(copy):
    shutil.copy(copy / POSITIONS, copy / "another.bsp")
    assert "2 files end in .bsp" in refusal(copy)


def test_a_directory_without_kernels(tmp_path):
    assert "0 files end in .bsp" in refusal(tmp_path)
    assert "no such directory" in refusal(tmp_path / "nowhere")


@pytest.mark.parametrize("name", [POSITIONS, ORIENTATION, FRAMES])
@pytest.mark.parametrize("spoil", ["empty", "halved", "first record only", "other content"])
def test_kernels_of_ones_own_that_cannot_be_read(copy, name, spoil):
    """Without SHA256SUMS, as in a user's directory, reading must tell."""
    (copy / "SHA256SUMS").unlink()
    content = (copy / name).read_bytes()
    kept = {
        "halved": content[: len(content) // 2],
        "first record only": content[:1024],
        "empty": b"",
        "other content": b"not a kernel\n" * 500,
    }
    (copy / name).write_bytes(kept[spoil])
    assert "cannot be read" in refusal(copy)


def test_a_frame_text_without_the_lunar_frame(copy):
    (copy / "SHA256SUMS").unlink()
    text = (copy / FRAMES).read_text()
    (copy / FRAMES).write_text(text.replace("MOON_ME_DE421", "MOON_XX_DE421"))
    assert "MOON_ME_DE421" in refusal(copy)


def test_kernels_of_ones_own_open_without_sums(copy):
    (copy / "SHA256SUMS").unlink()
    ephemeris = open_ephemeris(copy)
    assert ephemeris.files == open_ephemeris().files


def test_kernels_hold_whole_records():
    """Readers that fetch 1024-byte records must find the last one complete."""
    for name in (POSITIONS, ORIENTATION):
        assert (HERE / name).stat().st_size % 1024 == 0
