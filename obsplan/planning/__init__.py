"""A scenario and its environment become a plan with a proven bound.

Begin with plan (`make_plan`), then problem/, solver/, search/ and reasons/ in this order.
"""
