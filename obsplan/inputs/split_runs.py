"""Runs in pieces: an activity with `split_min` is read as one with more, shorter runs.

From here on a run of it is a piece: it has the activity's own warm-up, its share of the data, and
its share of the value, as a run that is cut short does.
"""

from obsplan.inputs.activity import Activity


def in_pieces(activity: Activity) -> Activity:
    """The activity with its runs in as many equal pieces as are at least `split_min` long.

    The pieces of each whole run are worth as much as the run; where runs are worth less and less,
    so are the pieces, and those of the first run come first. Of an activity that is in pieces
    already nothing changes.
    """
    pieces = activity.duration_min // (activity.split_min or activity.duration_min)
    if pieces < 2:
        return activity
    # With one run there is no further one that could be worth less.
    worth = activity.repeat_worth if activity.count > 1 else 1.0
    each = worth ** (1 / pieces)
    share = 1 / pieces if worth == 1.0 else (1 - each) / (1 - worth)
    return activity.model_copy(
        update={
            "duration_min": -(-activity.duration_min // pieces),
            "data_mbit": activity.data_mbit / pieces,
            "count": activity.count * pieces,
            "must": activity.must * pieces,
            "first_runs_in_contact": activity.first_runs_in_contact * pieces,
            "value": activity.value * share,
            "repeat_worth": each,
        }
    )
