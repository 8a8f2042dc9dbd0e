"""Tolerances for rounding in the planner that must stand in a relation to each other.

A plan within the planner's tolerances is valid for the referee, whose own are wider or equal; a
plan within the referee's is in the relaxed problem, which gives way by more than they do. Planner
and referee share no code, so a test compares the two sides.
"""

# Watt-hours and megabits by which a plan in steps may exceed a limit. Fractions of a run and
# amounts in the way of one count from here on, too.
TOLERANCE = 1e-7
# Watts by which the peak load may exceed the bus limit.
BUS_TOLERANCE_W = 1e-9
# Watts, watt-hours and megabits by which the relaxed problem gives way on every limit.
REPLAY_SLACK = 2e-6
# Watt-hours that differ by less are equal but for rounding in sums.
SAME_WH = 1e-9
# Charge and data taken over from another walk agree to this, as it may happen
# MOST_TAKEN_OVER times in a row.
TAKEN_OVER = 1e-12
MOST_TAKEN_OVER = 10_000
# Shares of a step below this are rounding, not sending.
LEAST_SHARE = 1e-9
