"""What summary.json says of a plan, for machines."""

from obsplan import __version__
from obsplan.analysis.missing_runs import requested_runs, scheduled_runs
from obsplan.common.caution import CAUTION
from obsplan.common.instants import full_stamp
from obsplan.planning.plan import Plan


def summary_of(plan: Plan) -> dict:
    """The plan for machines: versions, hashes, value, bound, gap, margins, counts."""
    environment = plan.environment
    scenario = environment.scenario
    placed, requested = scheduled_runs(plan), requested_runs(plan)
    return {
        "obsplan": __version__,
        "title": scenario.title,
        "input_sha256_16": scenario.input_hash,
        "kernels": {name: digest[:16] for name, digest in environment.kernels.items()},
        "span": {
            "start_utc": full_stamp(scenario.span.start_utc),
            "end_utc": full_stamp(scenario.span.end_utc),
            "step_min": scenario.span.step_min,
        },
        "value": round(plan.value, 6),
        "bound": round(plan.bound, 6),
        "gap": round(plan.gap, 6),
        "interrupted": plan.interrupted,
        "check": plan.verdict.summary,
        "margins_used": [violation.message for violation in plan.verdict.margins_used],
        "margins": [
            {
                "margin": row.margin,
                "where": row.where,
                "condition": row.condition,
                "time_utc": full_stamp(row.time_utc),
                "amount": round(row.amount, 3),
                "unit": row.unit,
                "thin": row.thin,
            }
            for row in plan.verdict.margins.itertuples(index=False)
        ],
        "cold_charging": [
            {
                "platform": row.platform,
                "unit": row.unit,
                "hours": round(row.hours, 3),
                "lost_wh": round(row.lost_wh, 3),
                "times_utc": [[full_stamp(t) for t in times] for times in row.times_utc],
            }
            for row in plan.verdict.cold_charging
        ],
        "counts": {
            activity.name: {"requested": requested[activity.name], "placed": placed[activity.name]}
            for activity in scenario.activity
        },
        "hazards": {i.name: i.hazard for i in scenario.instrument if i.hazard != "none"},
        "caution": CAUTION,
    }
