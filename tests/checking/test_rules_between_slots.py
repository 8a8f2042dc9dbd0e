"""Rules between slots: one at a time, repeats, gaps, exclusion, quiet and order."""

from tools.replayed import broken, platform, scenario, the_one


def test_instrument_runs_one_slot_at_a_time():
    shared = [{"name": "arm", "platform": "lander"}]
    two = ({"name": "dig", "instrument": "arm"}, {"name": "place", "instrument": "arm"})
    scene = scenario(*two, instruments=shared)
    assert broken(scene, ("dig", 60), ("place", 120)).empty
    found = the_one(scene, ("dig", 60), ("place", 105))
    assert found == ("instrument", "s1 s2", 105, 15, "min")
    free = scenario(*two, instruments=[shared[0] | {"one_at_a_time": False}])
    assert broken(free, ("dig", 60), ("place", 105)).empty


def test_platform_runs_one_slot_at_a_time():
    scene = scenario({"name": "dig"}, {"name": "look"}, platforms=[platform(one_at_a_time=True)])
    assert broken(scene, ("dig", 60), ("look", 120)).empty
    assert the_one(scene, ("look", 90), ("dig", 60)) == ("platform", "s2 s1", 90, 30, "min")


def test_repeat_may_not_overlap():
    free = [{"name": "sensor", "platform": "lander", "one_at_a_time": False}]
    scene = scenario({"name": "hum", "instrument": "sensor"}, instruments=free)
    assert broken(scene, ("hum", 60), ("hum", 120)).empty
    assert the_one(scene, ("hum", 60), ("hum", 75)) == ("repeat", "s1 s2", 75, 45, "min")


def test_gap_counts_from_the_end_of_the_run_before():
    scene = scenario({"name": "camera", "gap_min": 45})
    assert broken(scene, ("camera", 60), ("camera", 165), ("camera", 270)).empty
    found = the_one(scene, ("camera", 60), ("camera", 150), ("camera", 255))
    assert found == ("gap", "s1 s2", 150, 15, "min")


def test_a_gap_one_minute_too_short_is_broken():
    scene = scenario({"name": "camera", "gap_min": 44})
    assert broken(scene, ("camera", 60), ("camera", 164)).query("rule == 'gap'").empty
    found = broken(scene, ("camera", 60), ("camera", 163)).query("rule == 'gap'")
    assert found["amount"].tolist() == [1.0]


def test_not_with_works_both_ways():
    scene = scenario({"name": "laser", "not_with": ["camera"]}, {"name": "camera"})
    assert broken(scene, ("laser", 60), ("camera", 120)).empty
    assert the_one(scene, ("laser", 60), ("camera", 90)) == ("not with", "s1 s2", 90, 30, "min")
    assert the_one(scene, ("camera", 60), ("laser", 90)) == ("not with", "s1 s2", 90, 30, "min")


def test_quiet_may_not_be_disturbed_by_another_activity():
    scene = scenario(
        {"name": "listen", "quiet": True, "disturbs": True}, {"name": "drill", "disturbs": True}
    )
    assert broken(scene, ("listen", 60), ("drill", 120)).empty
    assert the_one(scene, ("drill", 60), ("listen", 105)) == ("quiet", "s1 s2", 105, 15, "min")
    assert "quiet" not in set(broken(scene, ("listen", 60), ("listen", 105))["rule"])


def test_order_needs_an_earlier_run_that_has_settled():
    scene = scenario(
        {"name": "open"}, {"name": "look", "after": [{"activity": "open", "settle_min": 30}]}
    )
    assert broken(scene, ("open", 60), ("look", 150), ("open", 600)).empty
    found = the_one(scene, ("open", 60), ("look", 135))
    assert found == ("order", "s1 s2", 135, 15, "min")
    assert the_one(scene, ("look", 135)) == ("order", "s1", 135, 1, "run")


def test_runs_too_early_for_one_order_are_one_violation():
    scene = scenario({"name": "level"}, {"name": "block", "after": [{"activity": "level"}]})
    (row,) = broken(scene, ("block", 0), ("block", 60), ("block", 120)).itertuples()
    assert (row.rule, row.slots, row.amount) == ("order", "s1 s2 s3", 1)
    assert "(slot s1) and 2 more of its runs start from 2028-07-01T00:00Z" in row.message
    found = the_one(scene, ("block", 0), ("block", 60), ("level", 60), ("block", 120))
    assert found == ("order", "s3 s1 s2", 0, 120, "min")


def test_overlap_with_a_long_run_is_seen_past_a_short_one():
    scene = scenario({"name": "dig"}, {"name": "look"}, platforms=[platform(one_at_a_time=True)])
    found = broken(scene, ("dig", 0, 240), ("look", 60), ("look", 150))
    pairs = found.loc[found["rule"] == "platform", "slots"]
    assert list(pairs) == ["s1 s2", "s1 s3"]
