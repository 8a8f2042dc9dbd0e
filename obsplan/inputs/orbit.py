"""The orbit of a platform that flies about the Moon."""

from typing import Annotated

from pydantic import Field

from obsplan.inputs.frozen_model import FrozenModel


class Orbit(FrozenModel):
    """The orbit of an orbiter, from a file.

    The file must cover the whole span. It is never extrapolated, and not interpolated from one of
    its segments into the next or outside usable times.
    """

    file: str
    """The orbit: an OEM (CCSDS 502.0-B, KVN or XML) or an SPK file (.bsp), beside the scenario.

    States about the Moon's centre in the frame ICRF, EME2000 or J2000 (all taken as ICRF); an OEM
    in the time system TDB, UTC, TAI, TT or GPS. An OEM is interpolated as it declares: HERMITE,
    LAGRANGE or LINEAR with its degree; one that declares nothing by HERMITE of degree 7. SPK files
    need pip install 'obsplan[orbit]'."""
    target: Annotated[int, Field(ge=-1_000_000_000, le=1_000_000_000)] | None = None
    """NAIF number of the spacecraft in an SPK file; required with .bsp, else not allowed."""

    @property
    def is_spk(self) -> bool:
        """Whether the file is an SPK file."""
        return self.file.lower().endswith(".bsp")
