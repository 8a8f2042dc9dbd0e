"""The execution rule in words, as `walk` applies it minute by minute."""

EXECUTION_RULE = """\
The execution rule, minute by minute, knows only what has been measured so far:
 1. A run starts when its slot begins if nothing that excludes it still runs or was due before, its
    gap is over, its platform has turned to what it points at, its teams are free, and the runs that
    it comes after are over, received and decided on as `after` asks; so a run at a stop comes after
    the drive there and before the drive away. Otherwise it waits, up to slip_min (a pinned run does
    not); then it is skipped.
 2. It starts only if its instrument and platform are in service; its commands are aboard (a contact
    was over lead_min before); its contact is there now, and is predicted for the whole slot if it
    needs that; all other conditions hold throughout the slot at its new time; its unit is warm
    enough and not too warm; the bus supplies it; the storage holds its data if the link takes all
    that is predicted; and the charge lasts through it without sending, and after it to the end of
    the span with nothing else running, above the reserve and with the charge required at the end.
    Otherwise it is skipped, never forced; a drive, which all that is planned later waits for, waits
    too, up to slip_min.
 3. Forecasts take generation, idle load, heaters, draw of runs and link rate as predicted until
    they have been measured: arrays once they were lit, heaters once they were on, the draw of an
    activity after a minute of its first run, the link once it was up. Capacity and charge are
    always known. Lengths and failures of runs and outages are not known before they come.
 4. A run ends early, and is not made, if its instrument or platform goes out of service, a contact
    that it needs is lost, or its unit leaves its operating range. A run that fails draws power to
    its end and yields no data. One that takes longer yields the same data. A drive that fails or
    ends early is made again from its start, once: decide_min later, and up to slip_min after its
    slot began. Fixed arrays are turned from the Sun when the plan says so.
 5. Platforms send in their transmit windows: relays first, in order of name; at each station the
    platform with the fuller storage. With a fixed antenna nothing is sent while a run points
    elsewhere, as planned or as it comes, nor while the platform turns. A platform sends less, or
    nothing, if the charge would then not last, by forecast, for the runs under way and an idle
    platform to the end of the span, or would be less than the runs still planned need: by forecast,
    or as they were predicted to need if that is less. Data leave by priority, then the oldest
    first. Margins may be used.
 6. If the charge falls below the reserve all the same, or the bus or battery cannot supply the
    loads, runs of that platform are stopped: the one that started last first, one each minute. An
    empty battery stays empty until the arrays yield more than the loads. What a full storage cannot
    hold is lost, the newest first.
 7. A run counts when it is made and its last data are on Earth within the span; received_by_h and
    rules of your own are not judged.
"""
