"""Files that people write, checked and read into frozen models: scenarios, timelines, telemetry.

Begin with scenario: its models are the reference of all keys. Other folders use `Scenario`,
`read_scenario`, `read_timeline` and `read_state`.
"""
