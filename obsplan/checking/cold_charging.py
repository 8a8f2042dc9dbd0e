"""Times in which a battery that is too cold refuses the charge that its arrays could give."""

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple

from obsplan.checking.replay import Books
from obsplan.common.instants import stamp
from obsplan.common.intervals import from_mask
from obsplan.environment.model import Environment

# Less is rounding.
LEAST_WH = 1e-6
# Times named in a sentence; more would not be read.
MOST_TIMES = 3


class ColdCharging(NamedTuple):
    """A platform whose battery is too cold to charge at times, while not full.

    unit: the one that is colder than `charges_above_k`. times_utc: from and until, in order.
    hours: their sum. lost_wh: what the arrays yield beyond the loads in them.
    """

    platform: str
    unit: str
    charges_above_k: float
    times_utc: tuple[tuple[datetime, datetime], ...]
    hours: float
    lost_wh: float

    def __str__(self) -> str:
        named = ", ".join(f"{stamp(a)} to {stamp(b)}" for a, b in self.times_utc[:MOST_TIMES])
        more = len(self.times_utc) - MOST_TIMES
        named += f" and at {more} more times" if more > 1 else " and once more" if more == 1 else ""
        return (
            f'"{self.platform}" cannot charge its battery for {self.hours:.1f} h, as '
            f'"{self.unit}" is colder than {self.charges_above_k:g} K: {named}; '
            f"{self.lost_wh:.1f} Wh are lost"
        )


def cold_charging(
    environment: Environment, books: dict[str, Books], now: int = 0
) -> Iterator[ColdCharging]:
    """The platforms that lose charge to a cold battery from minute `now` on."""
    scenario = environment.scenario
    for platform in scenario.platform:
        book, since = books[platform.name], max(now, environment.read_until(platform.name))
        has_room = book.stored_wh[:-1] < platform.battery.usable_wh - LEAST_WH
        refused = book.too_cold & has_room & (book.spilled_wh > LEAST_WH)
        refused[:since] = False
        for unit in platform.unit:
            if unit.charges_above_k is not None and refused.any():
                times = from_mask(refused).tolist()
                yield ColdCharging(
                    platform.name,
                    unit.name,
                    unit.charges_above_k,
                    tuple((scenario.instant_at(a), scenario.instant_at(b)) for a, b in times),
                    int(refused.sum()) / 60,
                    float(book.spilled_wh[refused].sum()),
                )
