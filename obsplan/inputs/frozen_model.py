"""The base of everything that is read from a file: frozen, strict, without unknown keys."""

from pydantic import BaseModel, ConfigDict


class FrozenModel(BaseModel):
    """A table of a file. Values are not converted: 1 is not text and "1" is not a number.

    The text under a field describes its key to users: in the JSON Schema and in `obsplan keys`.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, use_attribute_docstrings=True
    )
