"""The linear model of a problem, the solver, the dual bound, and when platforms send.

Begin with model and dual_bound.
"""
