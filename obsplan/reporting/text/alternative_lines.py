"""Alternative plans in words: one line for each."""

from collections.abc import Sequence

from obsplan.analysis.alternatives import alternatives_table
from obsplan.planning.plan import Plan


def alternative_lines(plans: Sequence[Plan]) -> list[str]:
    """What tells the plans apart, a line for each."""
    return [
        f"plan {row.plan}: value {row.value:.1f}"
        + ("" if row.plan == 1 else f" ({row.loss_percent:.1f} % less)")
        + f", {row.runs} runs"
        + (f", {row.differs_percent:.0f} % elsewhere: {row.what_differs}" if row.plan > 1 else "")
        + f"; tightest: {row.tightest_margin} ({row.tightest_percent:.0f} % left)"
        + f"; median latency {row.median_latency_h:.1f} h; {row.switches} switches"
        for row in alternatives_table(plans).itertuples(index=False)
    ]
