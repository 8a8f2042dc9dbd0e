"""What may become of a slot: the words of timelines, as-run files and telemetry, in one place."""

from typing import Literal, get_args

Outcome = Literal["done", "shortened", "failed"]
# What became of a slot that is over, so that no plan can change it; done is the default.
OUTCOMES: tuple[str, ...] = get_args(Outcome)
# What people call the outcome, too.
OTHER_NAMES = ("status", "state", "result")
# What a timeline says of a slot; planned is the default.
STATES = ("planned", "locked", *OUTCOMES)
