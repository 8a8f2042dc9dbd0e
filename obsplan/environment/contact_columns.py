"""The columns of contacts.csv in their order: one table for all who write or explain it."""

from obsplan.inputs.timeline_columns import Column

CONTACTS = (
    Column("platform", "", "platform that sends to Earth"),
    Column("station", "", "ground station"),
    Column(
        "acquisition_utc",
        "",
        "start of the contact by geometry and booking, or of the span if it is later",
    ),
    Column("loss_utc", "", "end of the contact by geometry and booking"),
    Column("duration_min", "", "from acquisition to loss"),
    Column(
        "max_station_elevation_deg",
        "",
        "largest elevation of Moon or orbiter at the station",
    ),
    Column(
        "earth_elevation_deg",
        "",
        "mean elevation of the station at the site, or in orbit",
    ),
    Column("light_time_s", "s", "mean one-way light time"),
    Column("rate_kbps", "", "mean rate that the link allows during the contact"),
    Column("volume_mbit", "", "what the contact could carry in whole minutes after the set-up"),
    Column("data_from_utc", "", "end of the station's set-up; empty if the contact ends before"),
    Column(
        "used_min",
        "",
        "minutes in which a plan sends through the station; without a plan, in which it could",
    ),
)
CONTACT_COLUMNS = [column.name for column in CONTACTS]
RELAY_PASSES = (
    Column("platform", "", "platform that sends through a relay in orbit"),
    Column("relay", "", "the relay"),
    Column("from_utc", "", "first whole minute in which it can send"),
    Column("until_utc", "", "end of the last one"),
    Column("duration_min", "", "whole minutes between them"),
    Column("rate_kbps", "", "mean rate to the relay"),
    Column("volume_mbit", "", "what the pass could carry to the storage of the relay"),
    Column("contact_min", "", "minutes of it in which the relay has contact with Earth"),
)
RELAY_PASS_COLUMNS = [column.name for column in RELAY_PASSES]
