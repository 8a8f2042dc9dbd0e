"""The stops that rovers leave out, in lines: why, and what would let each in."""

from obsplan.analysis.visits import left_out, rovers
from obsplan.planning.plan import Plan


def stop_lines(plan: Plan) -> list[str]:
    """A line for each stop that a rover leaves out."""
    missed = (each for name in rovers(plan.environment.scenario) for each in left_out(plan, name))
    lines = []
    for each in missed:
        change = f"; it would be visited if {each.visited_if}" if each.visited_if else ""
        lines.append(f'stop "{each.stop}" is left out: {each.reason}{change}')
    return lines
