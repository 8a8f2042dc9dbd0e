"""The columns of days.csv in their order: one table for all who write, read or explain it."""

from obsplan.inputs.timeline_columns import Column

# The stay lasts from the opening of the landing window to last light.
FIGURES = (
    Column("lunar_day", "", "number of the lunation in which local noon falls"),
    Column("first_light_utc", "", "upper limb of the Sun on the skyline; empty if it never sets"),
    Column("last_light_utc", "", "the same in the evening"),
    Column("daylight_h", "", "hours with any sunlight, eclipses included"),
    Column(
        "landing_opens_utc", "", "opening of the landing window; empty if no landing is allowed"
    ),
    Column("landing_closes_utc", "", "close of the landing window, of its last part"),
    Column("landing_h", "", "how long the landing window is open, the sum of its parts"),
    Column("landing_windows", "", "number of its parts, such as two with a contact gap between"),
    Column("sun_elevation_deg", "", "elevation of the Sun's centre when the landing window opens"),
    Column("daylight_remaining_h", "", "daylight of the stay"),
    Column("earth_elevation_min_deg", "", "least elevation of the Earth during the stay"),
    Column("earth_elevation_max_deg", "", "largest elevation of the Earth during the stay"),
    Column("earth_hidden_h", "", "how long the Earth is below the skyline during the stay"),
    Column("earth_hidden_from_utc", "", "when it is first hidden; empty if never"),
    Column("contact_h", "", "contact of any platform and station during the stay"),
    Column("longest_gap_h", "", "longest time without contact during the stay"),
    Column("eclipse_min", "", "how long the Earth covers any of the Sun during the stay"),
    Column("sunlight_lost_h", "", "hours of full sunlight that eclipses take from the stay"),
    Column("surface_max_k", "", "highest temperature of the ground during the stay"),
    Column("surface_min_k", "", "lowest temperature of the ground during the stay"),
    Column("energy_supply_wh", "", "what arrays and battery give beyond idle and heater, at most"),
    Column("energy_requested_wh", "", "what all requested runs and sending their data need"),
    Column("energy_share", "", "supply over requested, of the platform with the smallest share"),
    Column("energy_platform", "", "that platform"),
    Column("link_supply_mbit", "", "what the links to Earth can carry during the stay"),
    Column("link_requested_mbit", "", "data of all requested runs"),
    Column("link_share", "", "link supply over requested"),
    Column(
        "useful_light_h",
        "",
        "daylight remaining less sunlight lost, times the smaller share, at most 1",
    ),
)
DAYS = (
    *FIGURES,
    Column("value", "", "value of the plan, with --plan"),
    Column("bound", "", "upper bound of the value of any plan, with --plan"),
    Column("rank", "", "1 for the best; days that differ by less than matters share a rank"),
    Column(
        "decided_by",
        "",
        "figure in which the day is behind the one ranked before it: value, useful_light_h, "
        "contact_h, landing_h or margin (the smaller share); empty if it is equal",
    ),
    Column("notes", "", "what speaks for and against the day, or why there is no landing or plan"),
)
FIGURE_COLUMNS = [column.name for column in FIGURES]
DAY_COLUMNS = [column.name for column in DAYS]
WORD_COLUMNS = ["energy_platform", "decided_by", "notes"]
