"""Search for a better plan: greedy construction, rounding, dynamic programming, ruin and
recreate, large neighbourhood search, tie-breaks.

Begin with strategy, which says what is tried in which order.
"""
