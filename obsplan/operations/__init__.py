"""The days after launch: what ran, what telemetry says, and a new plan from now on.

Begin with replan (`make_replan`).
"""
