"""Ways to a better plan: greedy construction, relaxation, dynamic programming, ruin and
recreate, neighbourhoods.

Begin with strategy, which says what is tried in which order.
"""
