"""Whether pins can be: inside the span, on its time grid, and no more than are requested."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from obsplan.common.instants import full_stamp, stamp


class Pinned(NamedTuple):
    """A pin, and where it is written."""

    where: str
    activity: str
    start_utc: datetime


def pin_errors(
    pins: Sequence[Pinned], first: datetime, end: datetime, step_min: int, counts: Mapping[str, int]
) -> Iterator[str]:
    """A line for each pin that no plan of the span can keep; `counts` are the runs requested."""
    step, seen = timedelta(minutes=step_min), Counter[tuple[str, datetime]]()
    for pin in pins:
        seen[pin.activity, pin.start_utc] += 1
        late = (pin.start_utc - first) % step
        if not first <= pin.start_utc < end:
            allowed = f"allowed is {full_stamp(first)} to before {full_stamp(end)}"
            yield f"{pin.where}: outside the span; {allowed}"
        elif late:
            before = pin.start_utc - late
            nearest = f"{stamp(before)} and {stamp(before + step)}"
            yield f"{pin.where}: not on the time grid of {step_min} min; next to it are {nearest}"
        elif seen[pin.activity, pin.start_utc] > 1:
            yield f'{pin.where}: "{pin.activity}" is pinned to this time already'
    for name, many in Counter(pin.activity for pin in pins).items():
        if many > counts.get(name, many):
            yield (
                f'pin: {many} runs of "{name}" are pinned; allowed are up to {counts[name]}, its '
                "count"
            )
