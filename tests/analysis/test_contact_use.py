"""A contact is used in the minutes in which something is sent through it."""

from tools.page import made

from obsplan.analysis.contact_use import used_contacts


def test_used_minutes_are_those_in_which_something_is_sent():
    plan = made()
    contacts = used_contacts(plan)
    sent = sum(
        int((plan.verdict.resources[p.name]["sent_mbit"] > 0).sum())
        for p in plan.environment.scenario.platform
        if p.radio.to == "earth"
    )
    assert contacts["used_min"].sum() == sent > 0
    assert (contacts["used_min"] <= plan.environment.contacts["used_min"]).all()
    assert contacts.drop(columns="used_min").equals(
        plan.environment.contacts.drop(columns="used_min")
    )
