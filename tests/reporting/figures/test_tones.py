"""Tones that meet in a picture stay apart in grey print and to colour-blind eyes."""

from itertools import combinations

import numpy as np
import pytest

from obsplan.reporting.figures import layout, traverse_ground, traverse_map

# Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15:1291, severity 1.0, in
# linear RGB, as quoted by others; each row sums to one (grey stays grey).
SEEN_AS = {
    "by most": np.eye(3),
    "without long cones": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "without middle cones": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "without short cones": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# Relative luminance of linear sRGB, IEC 61966-2-1; it is also what a grey print keeps.
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def lightness(tone, seen_as):
    """CIE 1976 L* (0..100) of a tone as someone sees it; by most is also the grey print."""
    srgb = np.array([int(tone[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    share = LUMINANCE @ np.clip(np.array(SEEN_AS[seen_as]) @ linear, 0, 1)
    return 116 * np.cbrt(share) - 16 if share > 0.008856 else 903.3 * share


SLOPES = (*traverse_ground.SLOPE_TONES, traverse_ground.BARRED_TONE)
MEETING = [
    (layout.PAPER, layout.NIGHT),
    (layout.NIGHT, layout.ECLIPSE),
    (layout.NIGHT, layout.GROUND),
    (layout.ECLIPSE, layout.GROUND),
    (layout.PAPER, layout.WINDOW),
    *((layout.WINDOW, tone) for tone in (*layout.SLOT_COLOURS, layout.INK)),
    *combinations(layout.SLOT_COLOURS, 2),
    *((layout.CONTACT_STYLE["facecolor"], t) for t in (layout.PAPER, layout.NIGHT, layout.ECLIPSE)),
    *((layout.LIGHT, tone) for tone in (layout.SUN, layout.LINE_STYLES[0]["color"])),
    *((layout.PAPER, style["color"]) for style in layout.LINE_STYLES),
    *((layout.NIGHT, style["color"]) for style in layout.LINE_STYLES),
    *zip(SLOPES, SLOPES[1:]),
    *((tone, layout.INK) for tone in SLOPES),
    *((tone, layout.LINE_STYLES[0]["color"]) for tone in SLOPES),
    (traverse_ground.SLOPE_TONES[0], traverse_map.LEFT_OUT_TONE),
    (layout.NIGHT, layout.SUN),
    (layout.NIGHT, layout.EARTH),
]


@pytest.mark.parametrize("seen_as", SEEN_AS)
def test_tones_that_meet_differ_in_lightness(seen_as):
    assert np.sum(SEEN_AS[seen_as], axis=1) == pytest.approx(1, abs=2e-6)  # six decimals
    # A step of 2 is just seen side by side; 9 still is on a poor print of small bars.
    for tone, other in MEETING:
        assert abs(lightness(tone, seen_as) - lightness(other, seen_as)) >= 9, (tone, other)


def test_slot_tones_and_line_styles_run_from_dark_to_light_and_never_repeat():
    light = [lightness(tone, "by most") for tone in layout.SLOT_COLOURS]
    assert light == sorted(light)
    assert len({str(style["linestyle"]) for style in layout.LINE_STYLES}) == len(layout.LINE_STYLES)
    styles = [layout.slot_style(t, h) for t in range(len(layout.SLOT_COLOURS)) for h in range(2)]
    assert len({(style["facecolor"], style["hatch"]) for style in styles}) == len(styles)


def test_lightness_agrees_with_known_greys():
    # Mid grey #777777 is L* 50.03, white 100, black 0: follows from the formulas.
    assert lightness("#777777", "by most") == pytest.approx(50.03, abs=0.01)  # as printed
    assert lightness("#ffffff", "by most") == pytest.approx(100, abs=1e-3)  # rounded constants
    assert lightness("#000000", "by most") == 0
