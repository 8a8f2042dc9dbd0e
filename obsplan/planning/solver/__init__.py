"""The linear model of a problem, the solver, and the dual bound. Begin with model and bounds."""
