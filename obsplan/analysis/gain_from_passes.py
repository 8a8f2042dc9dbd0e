"""What a plan gains from one more booked pass: it is improved as if that pass were booked.

The replay by the minute accepts every plan whose gain is told.
"""

import pandas as pd

from obsplan.analysis.gain_from_more import best_value_near, booked_in_steps
from obsplan.environment.booked_passes import Pass, unbooked_passes, with_pass_booked
from obsplan.planning.plan import Plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.reasons.what_if import Variant

PASS_COLUMNS = (*Pass._fields, "gain")
# Passes that carry most are tried.
MOST_PASSES = 5


def gain_from_passes(plan: Plan, most: int = MOST_PASSES) -> pd.DataFrame:
    """What `plan` gains from each of the `most` largest passes that are not booked, most first.

    Columns PASS_COLUMNS: those of `unbooked_passes`, and `gain` of value: by how much the best plan
    found, one that is not possible without the pass, is worth more; 0 if none is. Raises ValueError
    for a replan, whose past cannot be improved.
    """
    if plan.now_utc is not None:
        raise ValueError("gain_from_passes: this is a replan; allowed are plans of the whole span")
    as_it_is = Variant(booked_in_steps(plan), plan.environment)
    rows = []
    for booked in unbooked_passes(plan.environment).head(most).itertuples(index=False):
        environment = with_pass_booked(plan.environment, booked)
        fuller = as_it_is.booking.copy()
        fuller.problem = build_problem(environment)
        gain = best_value_near(as_it_is, Variant(fuller, environment), []) - plan.value
        rows.append((*booked, max(gain, 0.0)))
    table = pd.DataFrame(rows, columns=list(PASS_COLUMNS))
    return table.sort_values("gain", ascending=False, kind="stable", ignore_index=True)
