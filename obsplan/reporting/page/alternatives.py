"""The section of the page that compares plans which differ clearly."""

from collections.abc import Sequence

import pandas as pd

from obsplan.analysis.alternatives import alternatives_table
from obsplan.planning.plan import Plan
from obsplan.reporting.page.elements import Html, paragraph, table


def alternatives_part(plans: Sequence[Plan]) -> list[Html]:
    """Plans that differ clearly side by side; the first is that of this page."""
    rows = [
        (
            str(r.plan),
            f"{r.value:.1f}",
            "" if r.plan == 1 else f"{r.loss_percent:.1f} %",
            str(r.runs),
            f"{r.tightest_margin}: {r.tightest_percent:.0f} %" if r.tightest_margin else "",
            "" if pd.isna(r.median_latency_h) else f"{r.median_latency_h:.1f} h",
            str(r.switches),
            "" if r.plan == 1 else f"{r.differs_percent:.0f} %: {r.what_differs}",
        )
        for r in alternatives_table(plans).itertuples(index=False)
    ]
    return [
        paragraph(
            "Plan 1 is the plan on this page. The slots of the others are in alternatives.png and "
            "timeline_2.csv and so on. A slot differs if plan 1 has none of its activity at its "
            "time."
        ),
        table(
            "Plans that differ clearly",
            [
                "plan",
                "value",
                "less",
                "runs",
                "tightest margin",
                "median latency",
                "switches",
                "slots that differ",
            ],
            rows,
            stacked=True,
        ),
    ]
