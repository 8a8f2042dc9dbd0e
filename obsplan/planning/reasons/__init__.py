"""Why runs are not placed, which rules conflict, and what would help.

Begin with unplaced, whose facts and words are in reason_wording and fix_wording. audit answers
before any plan, conflicts and idle_energy when there is none, marginal_worth after one.
"""
