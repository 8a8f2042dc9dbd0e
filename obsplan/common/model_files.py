"""Elevation models as files: a PDS label and its image are two of them."""

import re
from collections.abc import Callable
from pathlib import Path

from obsplan.common.input_file import open_input

# GeoTIFF, JPEG 2000, PDS3 labels and images, PDS4 labels.
MODEL_SUFFIXES = (".tif", ".tiff", ".jp2", ".lbl", ".img", ".xml")
LABELS, IMAGES = (".lbl", ".xml"), (".img", ".jp2")
LABEL_BYTES, PART_BYTES = 65_536, 1_000_000


def label_of(path: Path) -> Path | None:
    """The PDS label beside an image that names the image; None if there is none.

    The label has the image's name, or that and "_jp2", before its suffix.
    """
    if path.suffix.lower() not in IMAGES:
        return None
    stem = path.stem.lower()
    names = {stem + extra + suffix for extra in ("", "_jp2") for suffix in LABELS}
    labels = sorted(file for file in _beside(path) if file.name.lower() in names)
    return next((label for label in labels if path.name.lower() in _named_in(label)), None)


def files_of(path: Path) -> list[Path]:
    """The files that make up a skyline file or elevation model, itself first."""
    if path.suffix.lower() not in MODEL_SUFFIXES:
        return [path]
    label = label_of(path) or path
    named = _named_in(label) if label.suffix.lower() in LABELS else set()
    named |= {f"{file.name.lower()}.aux.xml" for file in (path, label)}
    others = sorted(f for f in _beside(path) if f.name.lower() in named or f == label)
    return [path, *(file for file in others if file != path)]


def give_content(path: Path, take: Callable[[bytes], None]) -> None:
    """Give `take` the content of all files of a skyline, in parts; raises OSError.

    Elevation models are longer than what should be in memory at once.
    """
    for file in files_of(path):
        with open_input(file) as content:
            while part := content.read(PART_BYTES):
                take(part)


def _beside(path: Path) -> list[Path]:
    """Files in the same folder; none if it cannot be listed."""
    try:
        return [file for file in path.parent.iterdir() if file.is_file()]
    except OSError:
        return []


def _named_in(label: Path) -> set[str]:
    """Names of images in a label, in small letters."""
    try:
        with open_input(label) as file:
            text = file.read(LABEL_BYTES).decode("latin-1").lower()
    except OSError:
        return set()
    return set(re.findall(r"[\w.\-]+(?:" + "|".join(map(re.escape, IMAGES)) + r")\b", text))
