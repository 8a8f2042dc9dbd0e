"""A rule that a script hands over is checked, planned for and named like all others."""

import pandas as pd
import pytest
from tools.small import START, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.checking.user_rules import with_rule
from obsplan.checking.violation import Violation

HOUR = pd.Timedelta(hours=1)


def at_most_one_a_day(environment, runs):
    """At most one run of the camera on each day."""
    own = runs[runs["activity"] == "camera"]
    for _, day in own.groupby(own["start_utc"].dt.date):
        for run in day.iloc[1:].itertuples():
            yield Violation(
                "one a day",
                run.start_utc,
                1.0,
                "run",
                f'"camera" (slot {run.slot}) is the second run of its day',
                "move it to another day",
                platform=run.platform,
                activity=run.activity,
                slots=(run.slot,),
            )


def ruled(**activity):
    scene = scenario({"name": "camera", "count": 4, **activity}, hours=48.0)
    return with_rule(world(scene), "one camera run a day", at_most_one_a_day)


def test_an_own_rule_is_checked_under_its_name():
    environment = ruled()
    kept = check_timeline(environment, slots(("camera", 60), ("camera", 1500)))
    assert kept.is_valid and kept.rules[-1] == "one camera run a day"
    broken = check_timeline(environment, slots(("camera", 60), ("camera", 300)))
    (violation,) = broken.found
    assert (violation.rule, violation.slots) == ("one camera run a day", ("s2",))
    assert violation.time_utc == START + 5 * HOUR
    assert "rules broken: one camera run a day;" in broken.summary


def test_what_was_done_breaks_no_own_rule_and_what_failed_is_not_counted():
    environment = ruled()
    rows = slots(("camera", 60), ("camera", 300))
    assert check_timeline(environment, rows.assign(state=["done", "done"])).is_valid
    assert not check_timeline(environment, rows.assign(state=["done", "planned"])).is_valid
    assert check_timeline(environment, rows.assign(state=["failed", "planned"])).is_valid


def test_an_own_rule_sees_the_runs_as_a_table_of_its_own():
    seen = []

    def look(environment, runs):
        seen.append(runs.copy())
        runs["slot"] = "altered"

    environment = with_rule(world(scenario({"name": "camera"})), "glance", look)
    environment = with_rule(environment, "glance again", look)
    assert check_timeline(environment, slots(("camera", 60))).is_valid
    assert list(seen[0].columns) == [
        "slot",
        "activity",
        "platform",
        "start_utc",
        "end_utc",
        "state",
    ]
    assert list(seen[1].itertuples(index=False, name=None)) == [
        ("s1", "camera", "lander", START + HOUR, START + 2 * HOUR, "planned")
    ]


@pytest.mark.parametrize("name", ["bus power", "gap", "own window", "outage"])
def test_an_own_rule_bears_no_built_in_name(name):
    # Not even that of a rule that does not apply yet.
    environment = world(scenario({"name": "camera"}))
    with pytest.raises(ValueError, match=f"'{name}': obsplan has a rule of this name"):
        with_rule(environment, name, at_most_one_a_day)


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        (Violation("x", START, 1.0, "run", "", ""), "Violation"),
        (pd.DataFrame({"rule": ["x"]}), "DataFrame"),
        (pd.DataFrame(), "DataFrame"),
        (pd.Series(["x"]), "Series"),
        ("broken", "str"),
        ({"rule": "x"}, "dict"),
        (False, "bool"),
        (3, "int"),
    ],
)
def test_an_own_rule_that_returns_no_list_of_violations_is_named(answer, kind):
    environment = with_rule(world(scenario({"name": "camera"})), "odd", lambda *_: answer)
    with pytest.raises(TypeError) as caught:
        check_timeline(environment, slots())
    assert str(caught.value) == (
        f"rule 'odd': returned a {kind}; allowed are Violations in a list, or yielded one by one, "
        "and nothing if the rule is kept"
    )


def test_an_own_rule_that_gives_something_else_is_named():
    environment = world(scenario({"name": "camera"}))
    late = Violation("x", "2028-07-01", 1.0, "run", "", "")
    with pytest.raises(TypeError, match="rule 'odd': time_utc '2028-07-01' is not a time"):
        check_timeline(with_rule(environment, "odd", lambda *_: [late]), slots())
    with pytest.raises(TypeError, match="rule 'odd': gave 'no'; allowed are Violations"):
        check_timeline(with_rule(environment, "odd", lambda *_: ["no"]), slots())
    bare = Violation("x", START.tz_localize(None), 1.0, "run", "", "")
    with pytest.raises(TypeError, match="rule 'odd': time_utc .* has no zone"):
        check_timeline(with_rule(environment, "odd", lambda *_: [bare]), slots())
