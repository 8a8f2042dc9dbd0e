"""Why a run has no place, what rules exclude a plan, and what would help.

Begin with unplaced; audit answers before any plan, conflicts when there is none.
"""
