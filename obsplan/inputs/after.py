"""What must come before a run of an activity, and what people decide in between."""

from typing import Annotated

from pydantic import Field

from obsplan.inputs.field_types import Name
from obsplan.inputs.frozen_model import FrozenModel


class After(FrozenModel):
    """An activity that must come first."""

    activity: Name
    """At least one run of this activity must have ended before."""
    settle_min: Annotated[int, Field(ge=0, le=60_000)] = 0
    """Time to wait after the end of that run."""
    each: bool = False
    """true if the latest run of it that starts before each run counts, not just any earlier one."""
    received: bool = False
    """true if all data of that run must be on Earth first, through the relay if there is one."""
    decide_min: Annotated[int, Field(ge=0, le=60_000)] = 0
    """Time that people then need to look and decide.

    With received or decide_min, commands of the later run go up only after the decision."""

    @property
    def is_decision(self) -> bool:
        """Whether people decide on the later run after the earlier one."""
        return self.received or self.decide_min > 0

    @property
    def is_plain(self) -> bool:
        """Whether any run that has ended and settled is enough."""
        return not self.each and not self.is_decision
