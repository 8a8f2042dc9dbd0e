"""Numbers and names for use in sentences."""

import math
import re
from collections.abc import Iterable
from difflib import get_close_matches

# A value this close to the bound is optimal: the bound is raised by the solver's rounding.
PROVEN = 1e-5
# Characters of a value in a sentence, and of a whole line; what is longer is cut.
LONGEST_VALUE = 80
LONGEST_LINE = 4000
# Names that a sentence lists, such as those of a large timeline's slots.
MOST_NAMES = 30


def number_text(amount: float) -> str:
    """A number for a sentence: two decimals, or two significant digits if it is small."""
    text = f"{amount:.2f}" if abs(amount) >= 0.01 or amount == 0 else f"{amount:.2g}"
    return text.rstrip("0").rstrip(".") if "." in text and "e" not in text else text


def proven(value: float, bound: float) -> bool:
    """Whether a plan is proven optimal."""
    return value >= bound * (1 - PROVEN)


def raised(bound: float) -> str:
    """A bound with one digit, rounded up so that it stays true."""
    return f"{math.ceil(10 * bound) / 10:.1f}"


def gap_text(value: float, bound: float) -> str:
    """An upper bound on the gap to the optimum, rounded up so that it stays true."""
    return f"{raised(100 * (1 - value / bound))} %"


def readable(line: str) -> str:
    """The line as people can read it: control characters escaped, and not endless.

    Line breaks are escaped too. The middle of a very long line is left out, since it begins with
    where something is wrong and ends with what is allowed.
    """
    if len(line) > LONGEST_LINE:
        half = LONGEST_LINE // 2
        line = f"{line[:half]} ... ({len(line)} characters) ... {line[-half:]}"
    return "".join(mark if mark.isprintable() else repr(mark)[1:-1] for mark in line)


def shortened(value: str) -> str:
    """A value for a sentence, its end left out if it is long."""
    if len(value) <= LONGEST_VALUE:
        return value
    return f"{value[: LONGEST_VALUE - 10]}... ({len(value)} characters)"


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The known name that is nearest to a mistyped one, as a question; else the known names."""
    known = list(known)
    same = [each for each in known if _folded(each) == _folded(name)]
    # Comparing takes time that grows with the square of the length.
    nearest = same or get_close_matches(name[:LONGEST_VALUE], known, n=1, cutoff=0.5)
    if nearest:
        return f"did you mean '{shortened(nearest[0])}'?"
    more = f" and {len(known) - MOST_NAMES} more" if len(known) > MOST_NAMES else ""
    return f"known: {', '.join(map(shortened, known[:MOST_NAMES])) or 'none'}{more}"


def _folded(name: str) -> str:
    """A name as people take it: without regard to case, and to zeros before a number."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", name.casefold())
