"""Why rovers leave stops out, and what would let each in.

Begin with why. A plan through a stop is really made each time, from the runs of the plan there is.
"""
