"""Why rovers leave stops out: the best plan found through each, or what keeps them from it.

All work is counted, not timed: a few plans for the reason of each stop, and so many for all changes
together.
"""

from collections.abc import Callable
from functools import partial
from itertools import islice
from threading import Event

from obsplan.common.interruption import interruptible
from obsplan.environment.model import Environment
from obsplan.inputs.placed import PlacedActivity
from obsplan.inputs.stop import Stop
from obsplan.planning.left_out.changes import let_in
from obsplan.planning.left_out.limits import limit_of, works_at
from obsplan.planning.left_out.question import Question, Through
from obsplan.planning.problem.booking import Booking
from obsplan.planning.reasons.audit_stops import why_unreached
from obsplan.planning.reasons.fix_wording import Answer, NoSingleFix
from obsplan.planning.reasons.reason_wording import NotAnalysed
from obsplan.planning.reasons.stop_wording import StopBeyond, StopCosts, StopUnreached
from obsplan.planning.replayed import Replay, Replayed
from obsplan.planning.route.first_routes import worths
from obsplan.planning.route.laid_out import Itinerary, visits
from obsplan.planning.route.trials import Found, Trials, longer_stays
from obsplan.planning.route.ways import (
    Chosen,
    beside_others,
    left_out,
    over_all_orders,
    places_on,
    straight_there,
)

# Plans through a stop that are mended for the replay, until it accepts one.
MOST_JUDGED = 2
# Trials in vain that end nothing, as they are counted elsewhere.
MANY = 1000
# Ways beside all other visits, and in place of some, that are tried.
MOST_BESIDE, MOST_OTHERS = 3, 3


def why_left_out(
    chosen: Chosen,
    plan: Replayed,
    value: float,
    replay: Callable[[Environment], Replay],
    expired: Event,
) -> dict[str, Answer]:
    """Why rovers leave stops out at which more runs are wanted, and what would let each in.

    plan: along the routes chosen, worth `value` in all. replay: that of an environment along
    routes. By the name of the stop. After Ctrl-C, and once `expired` is set, further stops are not
    analysed.
    """
    way = _way(chosen, plan.booking)
    if way is None:
        return {}
    asked = Question(chosen, way, plan, value, replay, expired)
    stops = _left_out(chosen, plan.booking)
    answers = {stop.name: Answer(NotAnalysed("patience ran out"), None) for stop in stops}
    throughs: dict[str, Through | None] = {}
    try:
        with interruptible():
            for stop in stops:
                if not expired.is_set():
                    answers[stop.name], throughs[stop.name] = _reason(asked, stop)
            for stop in stops:
                reason = answers[stop.name].reason
                if not expired.is_set() and not isinstance(reason, StopUnreached):
                    fix = let_in(asked, stop, reason, throughs[stop.name])
                    answers[stop.name] = Answer(reason, fix)
    except KeyboardInterrupt:  # the plan must not be lost
        untold = [stop.name for stop in stops if stop.name not in throughs]
        answers |= {name: Answer(NotAnalysed("interrupted"), None) for name in untold}
    return answers


def _way(chosen: Chosen, plan: Booking) -> Itinerary | None:
    """The itinerary of a plan along routes; None if it lacks one of their drives."""
    scenario = chosen.along(chosen.environment, chosen.routes)[0].scenario
    leave = []
    for route in chosen.routes:
        drives = [v.drives for v in visits(scenario, plan.problem, route)[1:]]
        first = [next((d for d in parts if plan.runs[d]), None) for parts in drives]
        if None in first:
            return None
        leave.append(tuple(min(plan.runs[d]) for d in first if d is not None))
    return Itinerary(chosen.routes, tuple(leave))


def _left_out(chosen: Chosen, plan: Booking) -> list[Stop]:
    """Stops on no route at which more runs are wanted, those worth most first."""
    scenario = chosen.along(chosen.environment, chosen.routes)[0].scenario
    worth, way = worths(plan.problem), Itinerary(chosen.routes, ())
    closed = {a.stop for a in scenario.activity if isinstance(a, PlacedActivity) and not a.visited}
    wanted = {
        activity.name: worth[activity.name] * (plan.wanted(i) > 0)
        for i, activity in enumerate(scenario.activity)
    }
    return [stop for stop in left_out(way, scenario, wanted) if stop.name in closed]


def _reason(asked: Question, stop: Stop) -> tuple[Answer, Through | None]:
    """Why a stop is left out, and the best plan found through it."""
    if why := why_unreached(asked.environment, stop.platform, stop.name):
        return Answer(StopUnreached(why), NoSingleFix()), None
    trials = Trials(
        asked.scenario, partial(asked.chosen.along, asked.environment), MANY, asked.stop
    )
    on_it, problem = trials.problem_of(asked.way.routes)
    present = asked.plan.booking.copy()
    present.problem = problem
    trials.best = Found(asked.way, on_it, present)
    begin, way = asked.chosen.begin, asked.way
    beside = list(islice(beside_others(asked.scenario, way, stop), MOST_BESIDE))
    others = over_all_orders(asked.environment, problem, begin, way, stop, MOST_OTHERS)
    for itinerary in (*beside, *others):
        trials.take(itinerary)
    if best := _plans_through(trials, present, stop):
        for itinerary in longer_stays(trials, best[0].itinerary):
            trials.take(itinerary)
    for found in _plans_through(trials, present, stop)[:MOST_JUDGED]:
        if (worth := asked.judged(found)) is not None:
            loss = asked.counted(on_it, asked.plan) - worth
            without = places_on(asked.way) - places_on(found.itinerary)
            names = tuple(s.name for s in asked.scenario.stop if s.name in without)
            short = limit_of(trials.problem_of, beside)
            reason = StopCosts(stop.name, asked.value - loss, loss, names, short)
            return Answer(reason, NoSingleFix()), Through(found, loss)
    straight = list(straight_there(asked.scenario, begin, way, stop))
    limit = limit_of(trials.problem_of, straight)
    return Answer(StopBeyond(limit or "required"), NoSingleFix()), None


def _plans_through(trials: Trials, present: Booking, stop: Stop) -> list[Found]:
    """The plans through a stop that lack no more than the plan there is, the best first."""
    missing = present.required_missing()
    through = [f for f in trials.found if works_at(f.environment.scenario, f.plan, stop.name)]
    complete = [found for found in through if found.plan.required_missing() <= missing]
    return sorted(complete, key=lambda found: found.merit, reverse=True)
