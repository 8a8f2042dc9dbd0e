"""Figures written as files: PNG, SVG or PDF, the same bytes each time, whole or not at all."""

from io import BytesIO
from pathlib import Path

from matplotlib.figure import Figure

from obsplan.common.atomic_write import write_file
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
    """Raise ObsplanError unless the suffix of `path` is that of a supported file format."""
    if path.suffix.lower() not in METADATA:
        raise ObsplanError(f"{path}: pictures are written as {', '.join(METADATA)}")


@styled
def figure_bytes(figure: Figure, suffix: str) -> bytes:
    """A figure as a file with this suffix, one of `METADATA`; the same figure, the same bytes."""
    kind, content = suffix.lower(), BytesIO()
    figure.savefig(
        content, format=kind[1:], dpi=DOTS_PER_IN, metadata=METADATA[kind], facecolor=PAPER
    )
    return content.getvalue()


def save_figure(figure: Figure, path: str | Path) -> None:
    """Write a figure as PNG, SVG or PDF by its suffix; it appears whole or not at all.

    The same figure gives the same bytes. Raises ObsplanError for another suffix.
    """
    path = Path(path)
    require_kind(path)
    try:
        write_file(path, figure_bytes(figure, path.suffix))
    except OSError as problem:
        raise ObsplanError(f"{path}: cannot be written ({problem.strerror})") from None
