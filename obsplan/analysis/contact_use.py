"""How much of each contact a plan uses."""

import pandas as pd

from obsplan.planning.plan import Plan


def used_contacts(plan: Plan) -> pd.DataFrame:
    """The contacts of the environment, with `used_min` the minutes in which something is sent.

    A minute belongs to the contact of the station that the platform uses then.
    """
    environment, contacts = plan.environment, plan.environment.contacts.copy()
    used_min = []
    for contact in contacts.itertuples(index=False):
        table = environment.platforms[contact.platform]
        sent_mbit = plan.verdict.resources[contact.platform]["sent_mbit"].to_numpy()
        inside = (table.index >= contact.acquisition_utc) & (table.index < contact.loss_utc)
        inside &= (table["station"] == contact.station).to_numpy()
        used_min.append(int((inside & (sent_mbit > 0)).sum()))
    contacts["used_min"] = used_min
    return contacts
