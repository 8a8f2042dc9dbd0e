"""Plans along ways of rovers: laid out, filled, and made the most of for a moment."""

from collections.abc import Callable, Iterator
from threading import Event
from typing import NamedTuple

from obsplan.environment.model import Environment
from obsplan.inputs.placed import DriveActivity, PlacedActivity, Route
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.route.first_routes import ending_places
from obsplan.planning.route.laid_out import Itinerary, laid_out, visits
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate
from obsplan.planning.solver.transmit_windows import with_planned_sending

# Tries for each run in each trial.
ROUNDS = 20
# As many trials in vain, at least, if something that is required is missing still.
IN_VAIN_INCOMPLETE = 40
# Shares of the time left over at the end by which stays are made longer.
STRETCHES = (0.4, 0.8)
SMALLEST_GAIN = 1e-6

# The environment along routes, and its problem.
Along = Callable[[tuple[Route, ...]], tuple[Environment, Problem]]


class Found(NamedTuple):
    """A plan along routes. environment: on these routes, which the plan's problem is made of."""

    itinerary: Itinerary
    environment: Environment
    plan: Booking

    @property
    def merit(self) -> tuple[int, float, float]:
        """What orders plans: how little that is required is missing, then their value, then how
        little is driven on the way ahead."""
        drives = (a for a in self.environment.scenario.activity if isinstance(a, DriveActivity))
        driven = sum(drive.duration_min for drive in drives if drive.visited)
        return -self.plan.required_missing(), self.plan.objective(), -float(driven)

    def is_worth(self, other: "Found", share: float) -> bool:
        """Whether it lacks nothing more that is required and is worth this share of another."""
        lacks_no_more = self.merit[0] >= other.merit[0]
        return lacks_no_more and self.plan.objective() >= share * other.plan.objective()

    @property
    def spare_charge(self) -> float:
        """The least charge above the reserve on any rover, as a share of its battery."""
        scenario, flow = self.environment.scenario, self.plan.flow
        spare = [
            (flow.stored_wh[n].min() - node.reserve_wh) / node.capacity_wh
            for n, node in enumerate(self.plan.problem.nodes)
            if scenario.platform_named(node.name).drive is not None
        ]
        return float(min(spare))


class Trials:
    """Plans along itineraries, each tried once, and the best of them."""

    def __init__(self, scenario: Scenario, along: Along, most: int, stop: Event):
        self.scenario, self.along, self.most, self.stop = scenario, along, most, stop
        self.best: Found | None = None
        self.found: list[Found] = []
        self.made = self.in_vain = 0
        placed = (a for a in scenario.activity if isinstance(a, PlacedActivity))
        required_goals = any(goal.required == "minimum" for goal in scenario.goal)
        self.requires_some = required_goals or any(a.must > 0 for a in placed)
        self._problems: dict[tuple[Route, ...], tuple[Environment, Problem]] = {}
        self._tried: set[Itinerary] = set()

    @property
    def is_going_on(self) -> bool:
        """Whether more may be tried."""
        incomplete = self.best is not None and self.best.plan.lacks_required_runs()
        most = max(self.most, IN_VAIN_INCOMPLETE) if incomplete else self.most
        return self.in_vain < most and not self.stop.is_set()

    def problem_of(self, routes: tuple[Route, ...]) -> tuple[Environment, Problem]:
        """The environment along these routes, and its problem."""
        if routes not in self._problems:
            self._problems[routes] = self.along(routes)
        return self._problems[routes]

    def take(self, itinerary: Itinerary) -> bool:
        """Try an itinerary; whether its plan is the best so far.

        If a drive does not fit, the rovers stay where they are by then, or visits before the end
        are left out if they may not stay there. If something is required, they are first tried
        with no more done at the stops than that.
        """
        if itinerary in self._tried or (self.best is not None and self.stop.is_set()):
            return False
        self._tried.add(itinerary)
        self.made, self.in_vain = self.made + 1, self.in_vain + 1
        along, problem = self.problem_of(itinerary.routes)
        laid = laid_out(along.scenario, problem, itinerary)
        shorter = _as_far_as(itinerary, laid.reached)
        in_brief = self.requires_some and not itinerary.brief
        if shorter != itinerary:
            if in_brief and self.take(itinerary._replace(brief=True)):
                return True
            if not self._may_end(shorter.routes):
                shorter = _with_their_ends(itinerary, laid.reached)
            return self.take(shorter)
        plan = filled(laid.booking, self.best.plan if self.best else None, self.stop)
        found = Found(itinerary, along, plan)
        self.found.append(found)
        is_best = self.best is None or found.merit > _more(self.best.merit)
        if is_best:
            self.best, self.in_vain = found, 0
        if in_brief and plan.lacks_required_runs():
            return self.take(itinerary._replace(brief=True)) or is_best
        return is_best

    def surest(self) -> Found:
        """Of all that are worth as much as the best, that with the most charge to spare on the
        rovers: a drive that takes longer, or arrays that yield less, then cost less."""
        assert self.best is not None
        missing, least = self.best.merit[0], self.best.merit[1] - SMALLEST_GAIN
        alike = [f for f in self.found if f.merit[0] == missing and f.merit[1] >= least]
        return max(alike, key=lambda found: (found.spare_charge, found.merit))

    def _may_end(self, routes: tuple[Route, ...]) -> bool:
        """Whether every route ends where its rover may stand at the end."""
        scenario = self.scenario
        ends = (ending_places(scenario, scenario.platform_named(r.platform)) for r in routes)
        return all(e is None or r.places[-1] in e for e, r in zip(ends, routes))


def plan_along(
    environment: Environment, problem: Problem, itinerary: Itinerary, other: Booking, stop: Event
) -> Booking | None:
    """A plan of another problem of the same tasks along an itinerary, with the runs of another plan
    as far as they fit; None if some drive does not, or if it lacks any run that is required."""
    whole = tuple(len(route.places) for route in itinerary.routes)
    for brief in dict.fromkeys((itinerary.brief, True)):
        laid = laid_out(environment.scenario, problem, itinerary._replace(brief=brief))
        if laid.reached == whole:
            plan = filled(laid.booking, other, stop)
            return None if plan.lacks_required_runs() else plan
    return None


def filled(laid: Booking, other: Booking | None, stop: Event) -> Booking:
    """A plan around drives and runs at stops, with those of another as far as they fit."""
    start = laid if other is None else with_runs_of(laid, other)
    plan = greedy_plan(laid.problem, with_planned_sending(greedy_plan(laid.problem, start)))
    return [plan, *ruin_and_recreate(plan, stop, seed=0, rounds=ROUNDS)][-1]


def with_runs_of(booking: Booking, other: Booking) -> Booking:
    """A plan with the runs of another that are neither barred nor of a task that has any; the plan
    itself if charge or storage then falls short."""
    fuller = booking.copy()
    names = {task.name: i for i, task in enumerate(booking.problem.tasks) if not booking.runs[i]}
    for task, starts in zip(other.problem.tasks, other.runs):
        for start in sorted(starts) if task.name in names else ():
            i = names[task.name]
            if fuller.clear_starts(i)[start] and fuller.needs_met(i)[start]:
                fuller.add(i, start)
    fuller.flow = fuller.simulate()
    return booking if fuller.flow.short or not fuller.keeps_rules() else fuller


def longer_stays(trials: Trials, itinerary: Itinerary) -> Iterator[Itinerary]:
    """The same routes with departures put off, so that the time left over is spread over stays."""
    along, problem = trials.problem_of(itinerary.routes)
    booking = laid_out(along.scenario, problem, itinerary).booking
    over = max((max(runs) for runs in booking.runs if runs), default=0)
    for share in STRETCHES:
        leave = []
        for route in itinerary.routes:
            drives = [v.drives[0] for v in visits(along.scenario, problem, route) if v.drives]
            rest = share * max(0, problem.steps - over) / max(1, len(drives))
            begins = enumerate((booking.runs[task][0] for task in drives), start=1)
            leave.append(tuple(int(begin + k * rest) for k, begin in begins))
        yield itinerary._replace(leave=tuple(leave))


def _as_far_as(itinerary: Itinerary, reached: tuple[int, ...]) -> Itinerary:
    """The itinerary up to so many places of each route."""
    ends = list(zip(itinerary.routes, itinerary.leave, reached))
    return itinerary._replace(
        routes=tuple(route._replace(places=route.places[:many]) for route, _, many in ends),
        leave=tuple(leave[: many - 1] for _, leave, many in ends),
    )


def _with_their_ends(itinerary: Itinerary, reached: tuple[int, ...]) -> Itinerary:
    """The itinerary with fewer places before the end of each route that is not reached."""
    routes, leaves = [], []
    for route, leave, many in zip(itinerary.routes, itinerary.leave, reached):
        *before, end = route.places
        if many < len(route.places):
            before = before[: max(1, min(many, len(before) - 1))]
        places = tuple(before) if before[-1:] == [end] else (*before, end)
        routes.append(route._replace(places=places))
        leaves.append(leave[: len(places) - 1])
    return itinerary._replace(routes=tuple(routes), leave=tuple(leaves))


def _more(merit: tuple[int, float, float]) -> tuple[int, float, float]:
    return merit[0], merit[1] + SMALLEST_GAIN, merit[2]
