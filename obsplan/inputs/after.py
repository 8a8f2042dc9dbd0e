"""What must come before a run of an activity, and what people decide in between."""

from datetime import datetime
from typing import Annotated

from pydantic import Field

from obsplan.inputs.field_types import Name, Utc
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
    from_utc: Utc | None = None
    """Only runs that start from this time on have to come after; without it from the first on."""
    until_utc: Utc | None = None
    """Only runs that start before this time have to come after; without it up to the last."""

    def applies_at(self, start_utc: datetime) -> bool:
        """Whether a run that starts then has to come after."""
        since, until = self.from_utc or start_utc, self.until_utc
        return since <= start_utc and (until is None or start_utc < until)

    @property
    def is_decision(self) -> bool:
        """Whether people decide on the later run after the earlier one."""
        return self.received or self.decide_min > 0

    @property
    def is_plain(self) -> bool:
        """Whether any run that has ended and settled is enough."""
        return not self.each and not self.is_decision
