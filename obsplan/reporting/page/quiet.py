"""Quiet hours on the page."""

from obsplan.analysis.quiet_hours import quiet_hours
from obsplan.planning.plan import Plan
from obsplan.reporting.page.elements import Html, paragraph, table


def quiet_part(plan: Plan) -> list[Html]:
    """The section about quiet hours: by hour of local time, and what disturbs them."""
    found = quiet_hours(plan)
    rows = [
        (
            f"{row.local_time_from_h:.0f} to {row.local_time_to_h:.0f} h",
            f"{row.hours_h:.1f}",
            f"{row.quiet_h:.1f}",
            f"{row.taken_h:.1f}",
            row.by,
        )
        for row in found.itertuples(index=False)
    ]
    total = found[["hours_h", "quiet_h", "taken_h"]].sum()
    return [
        paragraph(
            f"Nothing disturbs in {total['quiet_h']:.1f} of {total['hours_h']:.1f} h; quiet "
            f"activities take {total['taken_h']:.1f} h of them."
        ),
        table(
            "Quiet hours by local time",
            ["local time", "in the span (h)", "quiet (h)", "taken (h)", "what disturbs"],
            rows,
            stacked=True,
        ),
    ]
