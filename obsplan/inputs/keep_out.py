"""Times in which an activity, an instrument or a platform may not run."""

from obsplan.inputs.field_types import Name, Utc
from obsplan.inputs.frozen_model import FrozenModel


class KeepOut(FrozenModel):
    """A time in which an activity, an instrument or a platform may not run."""

    activity: Name | None = None
    """Name of the activity; give this, an instrument or a platform."""
    instrument: Name | None = None
    """Name of an instrument, all activities of which are meant."""
    platform: Name | None = None
    """Name of a platform, all activities of which are meant; it may still send data."""
    from_utc: Utc
    """First instant at which no slot may be."""
    until_utc: Utc
    """First instant after it at which slots may be again."""

    def applies_to(self, activity: str, instrument: str, platform: str) -> bool:
        """Whether an activity, on an instrument of a platform, is kept out."""
        meant = self.activity, self.instrument, self.platform
        return any(name == own for name, own in zip(meant, (activity, instrument, platform)))
