"""Margins on the page: how near the plan comes to its limits, and which margins it uses."""

import pandas as pd

from obsplan.common.text import number_text
from obsplan.planning.plan import Plan
from obsplan.reporting.page.elements import (
    Html,
    folded,
    instant,
    joined,
    lasting,
    paragraph,
    plain,
    table,
)
from obsplan.reporting.text.sentences import THIN, thin_margins, used_lines

FIRST_MARGINS = 3


def margin_cards(plan: Plan, margins: list[tuple]) -> list[tuple]:
    """What the first screen says of margins; `margins` as `ranked_margins` gives them first."""
    return [*_used(plan), *_thinness(plan, margins)]


def _used(plan: Plan) -> list[tuple]:
    """The margins of the scenario that the plan uses, if any."""
    used = plan.verdict.margins_used
    if not used:
        return []
    spots = "; ".join(dict.fromkeys(f"{each.rule}: {each.platform}" for each in used))
    words = "margin used" if len(used) == 1 else "margins used"
    return [(f"{len(used)} {words}", "of those that the scenario keeps", spots)]


def _thinness(plan: Plan, margins: list[tuple]) -> list[tuple]:
    """How thin the plan is: the margins that are used up, else the smallest."""
    thin = thin_margins(plan.verdict)
    if thin:
        many = sum(map(len, thin.values()))
        spots = "; ".join(f"{margin}: {', '.join(where)}" for margin, where in thin.items())
        words = "margin used up" if many == 1 else "margins used up"
        return [(f"{many} {words}", f"less than {THIN} is left", spots)]
    return [_tightest(margins[0])] if margins else []


def _tightest(margin: tuple) -> tuple:
    what, amount, _, where, when = margin
    return amount, f"smallest margin: {what}, {where}", joined(["at ", when, " UTC"], "")


def ranked_margins(plan: Plan) -> tuple[list[tuple], list[tuple]]:
    """Margins of the platforms, the smallest share first, and those in time.

    The first as (what, amount, share, where, when), the others, the shortest first, as (what,
    amount, condition, slot, when).
    """
    activity_of = dict(zip(plan.timeline["slot"], plan.timeline["activity"]))
    shares, in_time = [], []
    for row in plan.verdict.margins.itertuples(index=False):
        if row.unit == "min":
            condition = row.condition.replace("sun", "Sun").replace("earth", "Earth") or "contact"
            amount = lasting(pd.Timedelta(minutes=row.amount))
            in_time.append(
                (
                    row.amount,
                    (
                        row.margin,
                        amount,
                        condition,
                        f"{row.where} ({activity_of[row.where]})",
                        instant(row.time_utc),
                    ),
                )
            )
            continue
        amount = f"{number_text(round(row.amount, 1) + 0.0)} {row.unit}"
        share = row.amount / row.room if row.room > 0 else 0.0
        shares.append(
            (share, (row.margin, amount, f"{100 * share:.1f} %", row.where, instant(row.time_utc)))
        )
    return _by_size(shares), _by_size(in_time)


def _by_size(found: list[tuple[float, tuple]]) -> list[tuple]:
    return [row for _, row in sorted(found, key=lambda pair: pair[0])]


def margins_part(plan: Plan, rows: list[tuple], in_time: list[tuple]) -> list[Html]:
    """The section about margins; `rows` and `in_time` as `ranked_margins` gives them."""
    heads = ["margin", "amount", "share", "where", "when (UTC)"]
    parts = [
        paragraph(
            "Share: of the usable battery capacity (reserve to full), of the bus limit, of the "
            "storage capacity, of what the link can carry. A plan without margin breaks as soon "
            "as less comes than was predicted."
        ),
        *(paragraph(plain(line)) for line in used_lines(plan.verdict)),
        table(
            "The three smallest margins of energy, power, storage and link",
            heads,
            rows[:FIRST_MARGINS],
            stacked=True,
        ),
    ]
    if rows[FIRST_MARGINS:]:
        others = table("Other margins", heads, rows[FIRST_MARGINS:], stacked=True)
        many = len(rows) - FIRST_MARGINS
        parts.append(folded("1 other margin" if many == 1 else f"{many} other margins", others))
    if in_time:
        heads = ["margin", "amount", "condition", "slot", "when (UTC)"]
        parts.append(table("The smallest time margin of each kind", heads, in_time, stacked=True))
    return parts
