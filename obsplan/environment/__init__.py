"""A scenario and the physics become tables by the minute.

Begin with model, which says what an `Environment` holds; build makes one.
"""
