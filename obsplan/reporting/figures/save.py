"""Figures written as files: PNG, SVG or PDF, the same bytes each time, whole or not at all."""

import os
from pathlib import Path

from matplotlib.figure import Figure

from obsplan.common.errors import ObsplanError
from obsplan.reporting.figures.layout import PAPER, styled

DOTS_PER_IN = 160
# Dates and program names would make two saves of one picture differ.
METADATA = {
    ".png": {"Software": None},
    ".svg": {"Date": None, "Creator": None},
    ".pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}


def require_kind(path: Path) -> None:
    """Raise ObsplanError unless the suffix of `path` is one in which pictures are written."""
    if path.suffix.lower() not in METADATA:
        raise ObsplanError(f"{path}: pictures are written as {', '.join(METADATA)}")


@styled
def save_figure(figure: Figure, path: str | Path) -> None:
    """Write a figure as PNG, SVG or PDF by its suffix; it appears whole or not at all.

    The same figure gives the same bytes. Raises ObsplanError for another suffix.
    """
    path = Path(path)
    require_kind(path)
    kind = path.suffix.lower()
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        figure.savefig(
            unfinished,
            format=kind[1:],
            dpi=DOTS_PER_IN,
            metadata=METADATA[kind],
            facecolor=PAPER,
        )
        os.replace(unfinished, path)
    except OSError as problem:
        raise ObsplanError(f"{path}: cannot be written ({problem.strerror})") from None
    finally:
        unfinished.unlink(missing_ok=True)
