"""A scenario and the physics become tables by the minute.

Begin with model, which defines `Environment`; build makes one.
"""
