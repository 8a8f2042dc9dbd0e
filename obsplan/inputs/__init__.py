"""What people write, read and checked into frozen models: scenarios, timelines, telemetry.

Begin with scenario: the models are the reference of all keys. Others use `Scenario`,
`read_scenario`, `read_timeline` and `read_state`.
"""
