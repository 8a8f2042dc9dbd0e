"""Plans as a notebook shows them: figure, verdict and tables, drawn only when shown."""

from base64 import b64encode
from dataclasses import dataclass
from functools import wraps
from html import escape
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from obsplan.analysis.missing_runs import scheduled_runs
from obsplan.environment.model import Environment
from obsplan.planning import plan as planning
from obsplan.planning.plan import Plan
from obsplan.reporting.text.sentences import bound_line, margin_lines


@dataclass(frozen=True)
class ShownPlan(Plan):
    """A plan that a notebook shows."""

    def _repr_html_(self) -> str:
        scenario = self.environment.scenario
        placed = scheduled_runs(self)
        worth = self.timeline.groupby("activity")["value"].sum()
        runs = pd.DataFrame(
            [(a.name, a.count, placed[a.name], worth.get(a.name, 0.0)) for a in scenario.activity],
            columns=["activity", "requested", "scheduled", "value"],
        )
        lines = [bound_line(self), self.verdict.summary]
        lines += margin_lines(self.verdict)
        return "\n".join(
            [
                f'<img alt="{escape(scenario.title)}: timeline of {len(self.timeline)} rows, '
                f'Sun, contacts, power and data" style="max-width: 100%" '
                f'src="data:image/png;base64,{self._picture()}">',
                *(f"<p>{escape(line)}</p>" for line in lines),
                runs.to_html(index=False, float_format="{:.1f}".format),
                self.unplaced.to_html(index=False) if len(self.unplaced) else "",
                "<details><summary>timeline</summary>",
                self.timeline.to_html(index=False, na_rep=""),
                "</details>",
            ]
        )

    def _picture(self) -> str:
        from obsplan.reporting.figures.plan import plan_figure
        from obsplan.reporting.figures.save import save_figure

        figure = plan_figure(self)
        with TemporaryDirectory() as place:
            save_figure(figure, path := Path(place, "plan.png"))
            return b64encode(path.read_bytes()).decode()


def shown_plan(plan: Plan) -> ShownPlan:
    """`plan` as one that a notebook shows."""
    return ShownPlan(**vars(plan))


@wraps(planning.make_plan)
def make_plan(environment: Environment, *args, **options) -> ShownPlan:
    return shown_plan(planning.make_plan(environment, *args, **options))
