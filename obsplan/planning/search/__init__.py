"""Search for a better plan: greedy construction, ruin and recreate, branch and bound.

Begin with strategy, which says what is tried in which order.
"""
