"""Make the trimmed kernels of this folder again from two packages of public kernels.

Development only: `pip install 'obsplan[rebuild]'`, then `python ephemeris/rebuild.py`.
It trims the full kernels to the bodies and years obsplan needs, sums them and the frame
text beside them, compares the result with the files and replaces these only with `--write`.
"""

import argparse
import hashlib
import io
import sys
from importlib.util import find_spec
from pathlib import Path

from jplephem.daf import DAF
from jplephem.excerpter import write_excerpt
from jplephem.pck import PCK
from jplephem.spk import SPK

HERE = Path(__file__).parent
FIRST_JD = 2447892.5  # 1990-01-01 TDB
LAST_JD = 2469807.5  # 2050-01-01 TDB
RECORD_BYTES = 1024
# NAIF numbers: Sun, Earth-Moon barycentre, Earth and Moon.
TARGETS = {10, 3, 399, 301}
FRAME_TEXT = "moon_me_de421.tf"  # written for obsplan, so there is nothing to make it from
SOURCES = {
    "de421_1990_2050.bsp": ("skyfield_data", "data/de421.bsp"),
    "moon_pa_de421_1990_2050.bpc": ("lunarsky", "data/pck/moon_pa_de421_1900-2050.bpc"),
}


def source_path(package: str, inner: str) -> Path:
    """Where the full kernel lies in the installed package; neither package is imported."""
    spec = find_spec(package)
    if spec is None:
        sys.exit(f"package {package} is not installed: pip install 'obsplan[rebuild]'")
    return Path(spec.submodule_search_locations[0], inner)


def trimmed(kernel: Path) -> bytes:
    """The bytes of `kernel` cut to FIRST_JD..LAST_JD and, for positions, to TARGETS."""
    out = io.BytesIO()
    with kernel.open("rb") as handle:
        daf = DAF(handle)
        if kernel.suffix == ".bsp":
            summaries = [s for s in daf.summaries() if int(s[1][2]) in TARGETS]
            whole = SPK(daf)
        else:
            summaries = list(daf.summaries())
            whole = PCK(daf)
        write_excerpt(whole, out, FIRST_JD, LAST_JD, summaries)
    content = out.getvalue()
    # Readers that fetch whole records of the format find the last one only when it is full.
    return content + bytes(-len(content) % RECORD_BYTES)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="replace the kernels and SHA256SUMS")
    write = parser.parse_args().write

    made = {name: trimmed(source_path(*source)) for name, source in SOURCES.items()}
    summed = made | {FRAME_TEXT: (HERE / FRAME_TEXT).read_bytes()}
    made["SHA256SUMS"] = "".join(
        f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in summed.items()
    ).encode()
    same = True
    for name, content in made.items():
        target = HERE / name
        matches = target.exists() and target.read_bytes() == content
        same &= matches
        print(f"{name}: {len(content)} bytes, {'identical' if matches else 'differs'}")
        if write:
            target.write_bytes(content)
    return 0 if same or write else 1


if __name__ == "__main__":
    sys.exit(main())
