"""The base of everything that is read from a file: frozen, strict, no key unknown."""

from pydantic import BaseModel, ConfigDict


class FrozenModel(BaseModel):
    """A table of a file; its kinds are not converted, so that 1 is no text and "1" no number."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
