"""The ground under a map of a traverse: slopes, heights, hazards, and where the relay reaches."""

from collections.abc import Iterator
from math import ceil, log10

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.patches import Circle as CirclePatch
from matplotlib.patches import Polygon as PolygonPatch

from obsplan.common.text import number_text
from obsplan.inputs.hardware import Platform
from obsplan.inputs.legs import Place, Ways
from obsplan.physics.ground_model import Ground
from obsplan.physics.hazard_shapes import Circle, Hazard
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, SMALL_PT

# Slopes from those driven fastest to those that no drive may touch, ever darker.
SLOPE_TONES = ("#fbfaf6", "#e3dece", "#c8c1ab", "#aca48b")
BARRED_TONE = "#857c66"
CONTOUR = {"colors": "#5b5443", "linewidths": 0.45}
LEVELS = 9  # contours, about
HAZARD = {"facecolor": "none", "edgecolor": INK, "hatch": "xxxx", "linewidth": 0.9}
NO_RELAY = {"facecolor": "none", "edgecolor": "#5f6675", "hatch": "....", "linewidth": 0.4}
RANGE = {"facecolor": "none", "edgecolor": layout.EARTH, "linestyle": (0, (4, 2)), "linewidth": 1.3}


def ground_legend(
    platform: Platform, ways: Ways | None, has_model: bool
) -> Iterator[tuple[str, dict]]:
    """Samples of what is drawn of the ground."""
    if has_model:
        limits = _slope_classes(platform)
        for tone, low, high in zip(SLOPE_TONES, [0.0, *limits], limits):
            words = f"slope {number_text(low)} to {number_text(high)} deg"
            yield words, {"facecolor": tone, "edgecolor": INK, "linewidth": 0.4}
        words = f"steeper than {number_text(limits[-1])} deg or unknown: no drive"
        yield words, {"facecolor": BARRED_TONE, "edgecolor": INK, "linewidth": 0.4}
    if ways is not None and ways.hazards:
        yield "hazard, keep out", HAZARD
    if _hidden(ways) is not None:
        yield "out of the relay's reach", NO_RELAY
    if platform.radio.range_limit_m is not None:
        yield f"relay range {number_text(platform.radio.range_limit_m)} m", RANGE


def draw_ground(ax: Axes, platform: Platform, ways: Ways | None, has_model: bool) -> None:
    """Slopes in tones, heights as contours, hazards, and where the relay is reached."""
    if ways is not None and has_model:
        _draw_slopes(ax, platform, ways.drivable.ground)
        _draw_heights(ax, ways.drivable.ground)
    if ways is not None and (hidden := _hidden(ways)) is not None:
        ground, shade = ways.drivable.ground, np.where(hidden, 1.0, 0.0)
        drawn = ax.contourf(
            ground.east_m, ground.north_m, shade, [0.5, 1.5], colors="none", hatches=["...."]
        )
        drawn.set(edgecolor=NO_RELAY["edgecolor"], linewidth=0.0, zorder=1.2)
    for name, shape in () if ways is None else ways.hazards:
        _draw_hazard(ax, name, shape)
    if platform.radio.range_limit_m is not None:
        ax.add_patch(CirclePatch((0, 0), platform.radio.range_limit_m, zorder=1.6, **RANGE))


def _slope_classes(platform: Platform) -> list[float]:
    """Upper ends of the slopes that are told apart; if there are many, the gentlest as one."""
    assert platform.drive is not None
    limits = [slope for slope, _ in platform.drive.speed_by_slope]
    return limits[-len(SLOPE_TONES) :]


def _hidden(ways: Ways | None) -> np.ndarray | None:
    """Nodes (rows, columns) that the relay does not reach; None if that is nowhere asked."""
    open_ones = None if ways is None else ways.drivable.open_nodes
    return None if open_ones is None or open_ones.all() else ~open_ones


def _draw_slopes(ax: Axes, platform: Platform, ground: Ground) -> None:
    """Cells in the tone of the class of their steepest part."""
    limits = _slope_classes(platform)
    tones = [*SLOPE_TONES[: len(limits)], BARRED_TONE]
    slope_deg = np.nan_to_num(ground.slope_deg, nan=90.0)
    classes = np.searchsorted(np.array(limits) + 1e-6, slope_deg, side="left")
    edges = ground.east_m[0], ground.east_m[-1], ground.north_m[0], ground.north_m[-1]
    view = ax.get_xlim(), ax.get_ylim()
    ax.imshow(
        classes,
        cmap=ListedColormap(tones),
        vmin=-0.5,
        vmax=len(tones) - 0.5,
        extent=edges,
        origin="lower",
        interpolation="nearest",
        zorder=0.5,
    )
    ax.set_xlim(view[0])
    ax.set_ylim(view[1])


def _draw_heights(ax: Axes, ground: Ground) -> None:
    """Contours of the height above the lander's ground, with their metres."""
    above = ground.height_m - ground.height_at(np.zeros((1, 2)))[0]
    (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
    columns = (ground.east_m >= west) & (ground.east_m <= east)
    rows = (ground.north_m >= south) & (ground.north_m <= north)
    seen = above[np.ix_(rows, columns)]
    if not np.isfinite(seen).any() or np.nanmax(seen) - np.nanmin(seen) < 1e-3:
        return
    low, high = np.nanmin(seen), np.nanmax(seen)
    step = round_step((high - low) / LEVELS)
    levels = np.arange(ceil(low / step), high / step) * step
    if len(levels):
        lines = ax.contour(ground.east_m, ground.north_m, above, levels, zorder=1.0, **CONTOUR)
        words = ax.clabel(lines, fmt=_metres, fontsize=SMALL_PT - 1.2, inline_spacing=2)
        for each in words:
            each.set_path_effects(layout.halo(1.6))


def _metres(level: float) -> str:
    return f"{level:+g} m" if abs(level) > 1e-9 else "0 m"


def round_step(least: float) -> float:
    """The next 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(log10(max(least, 1e-9)))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= least * (1 - 1e-9)))


def _draw_hazard(ax: Axes, name: str, shape: Hazard) -> None:
    """Its outline, hatched, with its name."""
    drawn: CirclePatch | PolygonPatch
    centre: Place
    if isinstance(shape, Circle):
        drawn = CirclePatch(shape.centre_m, shape.radius_m, zorder=1.4, **HAZARD)
        centre = shape.centre_m
    else:
        drawn = PolygonPatch(shape.corners_m, closed=True, zorder=1.4, **HAZARD)
        east, north = np.mean(shape.corners_m, axis=0)
        centre = float(east), float(north)
    ax.add_patch(drawn)
    if name:
        ax.annotate(
            layout.shortened(name, 20),
            centre,
            size=SMALL_PT - 0.6,
            style="italic",
            ha="center",
            va="center",
            zorder=3,
            clip_on=True,
            path_effects=layout.halo(),
        )
