"""The section of the report that a replan adds: what ran otherwise, and what the plan changes."""

from obsplan.operations.replan import Replan
from obsplan.reporting.page.elements import Html, folded, instant, paragraph, plain, table, tag
from obsplan.reporting.plan_picture import OTHERWISE
from obsplan.reporting.text.sentences import CHANGES, keep_text, replan_sums


def changes_part(made: Replan) -> list[Html]:
    """The sums, the assumptions, runs that went otherwise, changes, and science against moves."""
    parts = [paragraph(line[0].upper() + line[1:] + ".") for line in replan_sums(made)]
    if made.assumptions:
        parts.append(tag("ul", *(tag("li", plain(words)) for words in made.assumptions)))
    return [*parts, *_runs_otherwise(made), *_changes(made), *_price_list(made)]


def changes_card(made: Replan) -> tuple[str, str, str]:
    """How much a replan changes, for the first screen of the page."""
    count = made.changes["change"].value_counts()
    kinds = ", ".join(f"{count.get(kind, 0)} {kind}" for kind in CHANGES)
    over = made.fixed["state"].value_counts()
    otherwise = ", ".join(f"{over[state]} {state}" for state in OTHERWISE if state in over)
    many = len(made.changes)
    return (
        "1 change" if many == 1 else f"{many} changes",
        f"of the old plan: {kinds}",
        f"runs so far: {otherwise}" if otherwise else "",
    )


def _runs_otherwise(made: Replan) -> list[Html]:
    """Runs that failed or were shortened."""
    fixed = made.fixed[made.fixed["state"].isin(OTHERWISE)]
    if fixed.empty:
        return []
    rows = [
        (
            slot.activity,
            slot.slot,
            instant(slot.start_utc),
            instant(slot.end_utc),
            slot.state,
            slot.reason,
        )
        for slot in fixed.itertuples(index=False)
    ]
    heads = ["activity", "slot", "started (UTC)", "ended (UTC)", "outcome", "reason"]
    return [table("Runs that failed or were shortened", heads, rows, stacked=True)]


def _changes(made: Replan) -> list[Html]:
    if made.changes.empty:
        return [paragraph("No run is moved, dropped or added.")]
    rows = [
        (
            row.change,
            row.activity,
            row.slot,
            instant(row.from_utc),
            instant(row.to_utc),
            f"{row.value_change:+.1f}",
            plain(row.why),
        )
        for row in made.changes.itertuples(index=False)
    ]
    heads = ["change", "activity", "slot", "old start (UTC)", "new start (UTC)", "value", "why"]
    return [table("Runs that are moved, dropped or added", heads, rows, stacked=True)]


def _price_list(made: Replan) -> list[Html]:
    """Science against moves: each plan that was found, folded."""
    rows = [
        (
            "this plan" if row.chosen else f"--keep {keep_text(row.keep)}",
            f"{row.value:.1f}",
            f"{100 * row.value_share:.1f} %",
            row.moves,
            row.moved,
            row.dropped,
            row.added,
        )
        for row in made.price_list.itertuples(index=False)
    ]
    heads = ["chosen by", "value", "of the best", "moves", "moved", "dropped", "added"]
    return [
        folded(
            "Science against moves",
            table("Plans that were found, those with the fewest moves first", heads, rows),
        )
    ]
