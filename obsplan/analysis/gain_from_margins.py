"""What a plan gains without one of its margins: the price of keeping it.

The replay by the minute accepts every plan whose gain is told.
"""

import pandas as pd

from obsplan.analysis.gain_from_more import best_value_near, booked_in_steps
from obsplan.environment.key_changes import KeyChange, changed
from obsplan.planning.plan import Plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.reasons.what_if import Variant

MARGIN_COLUMNS = ("platform", "margin", "share", "gain")


def gain_from_margins(plan: Plan) -> pd.DataFrame:
    """What `plan` gains if one platform does without one margin, all others kept; most first.

    Columns `platform`, `margin` (its key), `share` (its value) and `gain` of value: by how much the
    best plan found, one that uses the margin, is worth more; 0 if none is. Raises ValueError for a
    replan, whose past cannot be improved.
    """
    if plan.now_utc is not None:
        raise ValueError("gain_from_margins: this is a replan; allowed are plans of the whole span")
    as_it_is = Variant(booked_in_steps(plan), plan.environment)
    rows = []
    for platform in plan.environment.scenario.platform:
        for key, share in platform.margins.kept.items():
            without = KeyChange("platform", platform.name, ("margins", key), share, 0.0)
            environment = changed(plan.environment, without)
            fuller = as_it_is.booking.copy()
            fuller.problem = build_problem(environment)
            gain = best_value_near(as_it_is, Variant(fuller, environment), []) - plan.value
            rows.append((platform.name, key, share, max(gain, 0.0)))
    table = pd.DataFrame(rows, columns=list(MARGIN_COLUMNS))
    return table.sort_values("gain", ascending=False, kind="stable", ignore_index=True)
