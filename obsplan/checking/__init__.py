"""The referee: a timeline is replayed by the minute and every broken rule is named.

It shares nothing with the planner. Begin with check; replay is the arithmetic.
"""
