"""Whether each uncertainty has the keys that it needs, and is of something in the scenario."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from obsplan.common.text import did_you_mean
from obsplan.inputs.error_text import shown
from obsplan.inputs.uncertainty import KINDS, NAMED_ONLY

Table = dict[str, Any]
SIZES = ("factor", "chance", "per_day", "lasts_h")


def uncertainty_errors(rows: Sequence[Table], names: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """One line for each uncertainty with the wrong keys, of something unknown, or told twice.

    `names` are those of the scenario's activities, instruments, stations and platforms.
    """
    seen: set[tuple[str, str | None]] = set()
    for number, row in enumerate(rows, start=1):
        what, of = row.get("what"), row.get("of")
        if not isinstance(what, str) or what not in KINDS:
            continue
        kind, where = KINDS[what], f'uncertainty {number} "{what}"'
        for key in kind.needs:
            if row.get(key) is None:
                yield f"{where}.{key}: required but missing"
        for key in SIZES:
            if row.get(key) is not None and key not in (*kind.needs, *kind.may_have):
                allowed = " and ".join((*kind.needs, *kind.may_have))
                yield f"{where}.{key}: does not apply to {what}; allowed is {allowed}"
        if of is None and what in NAMED_ONLY:
            yield f"{where}.of: required; name {_listed(kind.of)}"
        if isinstance(of, str):
            homes = [home for home in kind.of if of in names[home]]
            if not homes:
                known = [name for home in kind.of for name in names[home]]
                yield (
                    f"{where}.of = {shown(of)}: no such {' or '.join(kind.of)}; "
                    f"{did_you_mean(of, known)}"
                )
            elif len(homes) > 1 and what in NAMED_ONLY:
                yield (
                    f"{where}.of = {shown(of)}: is the name of {_listed(homes, ' and ')}; give "
                    "them different names"
                )
        if of is None or isinstance(of, str):
            if (what, of) in seen:
                yield f"{where}: is there already; give each once"
            seen.add((what, of))


def _listed(kinds: Sequence[str], last: str = " or ") -> str:
    """Such as "a platform", "an activity or an instrument"."""
    words = [f"an {kind}" if kind[0] in "ai" else f"a {kind}" for kind in kinds]
    return last.join(filter(None, [", ".join(words[:-1]), words[-1]]))
