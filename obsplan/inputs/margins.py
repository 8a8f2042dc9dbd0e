"""What a plan leaves unused of each supply."""

from typing import Annotated

from pydantic import Field

from obsplan.inputs.field_types import Number
from obsplan.inputs.frozen_model import FrozenModel

MarginShare = Annotated[Number, Field(ge=0, le=0.9)]


class Margins(FrozenModel):
    """Shares of power, energy, storage and link that a plan leaves unused.

    A check tells a margin that is used from a limit that is broken: a timeline that uses a margin
    is still valid. A replan keeps them too; where what has happened, or a slot that cannot change,
    uses a margin already, nothing is added that uses more of it. Margins of 0.05 to 0.2 are common
    practice, no source.
    """

    power_share: MarginShare = 0.0
    """Share of the bus limit that the plan leaves unused."""
    energy_share: MarginShare = 0.0
    """Share of the battery between reserve and full that the plan keeps above the reserve.

    As much is kept above the charge required at the end of the span, as far as the battery holds
    it."""
    store_share: MarginShare = 0.0
    """Share of the capacity of the data storage that the plan leaves free."""
    link_share: MarginShare = 0.0
    """Share of the volume of each contact that the plan leaves unused, also of a relay's link."""

    @property
    def kept(self) -> dict[str, float]:
        """The margins above 0, by key."""
        return {key: share for key in Margins.model_fields if (share := getattr(self, key))}

    def over(self, others: "Margins") -> "Margins":
        """These margins, with keys that were left out from `others`."""
        return others.model_copy(update={key: getattr(self, key) for key in self.model_fields_set})
