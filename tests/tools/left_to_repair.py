"""What only a replay knows of a plan, so that steps may be wrong about it and a repair follows."""

from dataclasses import replace

from obsplan.checking.check import Verdict
from obsplan.checking.goal_runs import uncounted_slots
from obsplan.checking.required_goals import REQUIRED_GOAL
from obsplan.checking.resource_rules import RESOURCE_RULES
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import booked_rows, plan_slots


def has_fixed_arrays(platform: Platform) -> bool:
    """Whether the platform's arrays yield nothing while it points elsewhere, or turns."""
    return platform.pointing is not None and platform.pointing.arrays == "fixed"


def refused_for_good(table: Environment, booking: Booking, verdict: Verdict) -> list[str]:
    """What the replay finds wrong although the steps know it too.

    They take the data of each run to be on Earth as if nothing else were sent, and leave out the
    charge that fixed arrays miss while their platform turns to and from a run.
    """
    scene = table.scenario
    late_decisions = {d.run.slot for d in verdict.decisions if d.is_late and d.order.received}
    late_data = {wait.run.slot for wait in verdict.data_waits if wait.is_late}
    aboard = uncounted_slots(table, plan_slots(scene, booking), verdict.resources)
    fixed = [part.pointing for part in scene.platform if has_fixed_arrays(part)]
    charge_is_missed = any(pointing.slew_min > 0 for pointing in fixed)

    def is_left(violation) -> bool:
        if violation.rule in RESOURCE_RULES:
            # Less charge sends less data.
            return charge_is_missed and violation.unit in ("Wh", "Mbit")
        if violation.rule == REQUIRED_GOAL:
            return bool(aboard)
        late = {"order": late_decisions, "data latency": late_data}.get(violation.rule, set())
        return bool(late & set(violation.slots))

    return [violation.message for violation in verdict.found if not is_left(violation)]


def with_known_generation(table: Environment, booking: Booking, verdict: Verdict) -> Booking:
    """The same runs and transmit windows, with arrays that yield what the replay found.

    A plan in steps counts generation that is missed as load of the runs, which have none here.
    """
    scene = table.scenario
    steered = tuple(
        part.model_copy(update={"pointing": part.pointing.model_copy(update={"arrays": "steered"})})
        if has_fixed_arrays(part)
        else part
        for part in scene.platform
    )
    problem = build_problem(replace(table, scenario=scene.model_copy(update={"platform": steered})))
    known = Booking(problem)
    for task, starts in enumerate(booking.runs):
        for start in starts:
            known.add(task, start)
    known.may_send[:] = False
    for name, first, last in booked_rows(scene, booking):
        if name in scene.sending_names:
            n = [node.name for node in problem.nodes].index(scene.sending_names[name])
            known.may_send[n, first:last] = True
    if not known.may_send.any():
        known.may_send[:] = True
    nodes = []
    for node in problem.nodes:
        by_minute_w = verdict.resources[node.name]["generation_w"].to_numpy()
        nodes.append(
            replace(node, generation_w=by_minute_w.reshape(problem.steps, -1).mean(axis=1))
        )
    known.problem = replace(problem, nodes=tuple(nodes))
    known.flow = known.simulate()
    return known
