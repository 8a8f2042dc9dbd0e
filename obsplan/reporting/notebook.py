"""A plan as a notebook shows it: figure, verdict and tables, drawn only when shown."""

from base64 import b64encode
from html import escape

import pandas as pd

from obsplan.analysis.missing_runs import requested_runs, scheduled_runs
from obsplan.planning.plan import Plan
from obsplan.reporting.text.sentences import bound_line, margin_lines


def plan_html(plan: Plan) -> str:
    """A fragment of HTML: the plan's figure, bound, verdict and margins, and its tables."""
    scenario = plan.environment.scenario
    placed, wanted = scheduled_runs(plan), requested_runs(plan)
    worth = plan.timeline.groupby("activity")["value"].sum()
    runs = pd.DataFrame(
        [
            (a.name, wanted[a.name], placed[a.name], worth.get(a.name, 0.0))
            for a in scenario.activity
        ],
        columns=["activity", "requested", "scheduled", "value"],
    )
    lines = [bound_line(plan), plan.verdict.summary]
    lines += margin_lines(plan.verdict)
    return "\n".join(
        [
            f'<img alt="{escape(scenario.title)}: timeline of {len(plan.timeline)} rows, '
            f'Sun, contacts, power and data" style="max-width: 100%" '
            f'src="data:image/png;base64,{_picture(plan)}">',
            *(f"<p>{escape(line)}</p>" for line in lines),
            runs.to_html(index=False, float_format="{:.1f}".format),
            plan.unplaced.to_html(index=False) if len(plan.unplaced) else "",
            "<details><summary>timeline</summary>",
            plan.timeline.to_html(index=False, na_rep=""),
            "</details>",
        ]
    )


def _picture(plan: Plan) -> str:
    """The plan's figure as PNG, in base64."""
    from obsplan.reporting.figures.plan import plan_figure
    from obsplan.reporting.figures.save import figure_bytes

    return b64encode(figure_bytes(plan_figure(plan), ".png")).decode()
