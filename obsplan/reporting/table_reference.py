"""The columns of tables that are only written, as `obsplan keys` explains them."""

from obsplan.analysis.decision_columns import DECISIONS
from obsplan.analysis.goal_columns import GOALS
from obsplan.analysis.latency_columns import LATENCY
from obsplan.analysis.load_columns import LOADS
from obsplan.analysis.quiet_columns import QUIET
from obsplan.analysis.traverse_columns import TRAVERSE
from obsplan.environment.contact_columns import CONTACTS, RELAY_PASSES
from obsplan.environment.orbiter_columns import OCCULTATIONS, ORBITER_SKY
from obsplan.futures.columns import (
    CAUSES,
    CONTINGENCIES,
    FUTURES,
    GOAL_FUTURES,
    SURER,
    TRIES,
    TRY_GOALS,
)
from obsplan.inputs.key_reference import Part, columns_part
from obsplan.survey.day_columns import DAYS


def table_parts() -> dict[str, Part]:
    """Parts for the tables of a plan and for that of lunar days, by name."""
    found = [
        columns_part(
            "contacts",
            "columns of contacts.csv and of obsplan link",
            "The contacts of a platform and a station, one row each.",
            "A contact lasts from acquisition to loss by geometry; data flow in whole minutes.",
            CONTACTS,
        ),
        columns_part(
            "latency",
            "columns of latency.csv",
            "The data of each activity, one row each: how long they wait.",
            "Each store is emptied by priority, 1 first, and the oldest first within one.",
            LATENCY,
        ),
        columns_part(
            "quiet",
            "columns of quiet_hours.csv",
            "The quiet hours of a plan, one row an hour of local time.",
            "A slot of an activity that disturbs does so while it lasts, warm-up included.",
            QUIET,
        ),
        columns_part(
            "goals",
            "columns of goals.csv",
            "Every goal, and each of its bins, one row each.",
            "A run counts in the bin in which it starts, from when its last bit is on Earth or, if "
            "its goal says so, from its end.",
            GOALS,
        ),
        columns_part(
            "days",
            "columns of days.csv and of obsplan sites",
            "The lunar days of a range, one row each.",
            "The stay lasts from the opening of the landing window to last light. A survey of "
            "sites has these columns after those of its sites.",
            DAYS,
        ),
    ]
    return {
        part.name: part
        for part in (*found, *_operations_parts(), *_orbiter_parts(), *_futures_parts())
    }


def _orbiter_parts() -> list[Part]:
    """Parts for the tables of platforms in orbit."""
    return [
        columns_part(
            "orbiter",
            "columns of orbiter_sky.csv and of obsplan sky for a platform in orbit",
            "The sky of a platform in orbit, one row each step.",
            "Directions have the light time and aberration of the Moon's centre. orbiter_sky.csv "
            "has the name of the platform before them.",
            ORBITER_SKY,
        ),
        columns_part(
            "occultations",
            "columns of occultations.csv",
            "When Earth or Sun are hidden from a platform in orbit, one row each.",
            "Moon, Earth and Sun are spheres of 1737.4, 6378.137 and 695700 km; before the Sun the "
            "Earth counts as 1 % larger for its opaque lower atmosphere.",
            OCCULTATIONS,
        ),
        columns_part(
            "passes",
            "columns of relay_passes.csv",
            "The passes of a relay in orbit, one row each.",
            "A minute counts if the relay is above skyline and minimum elevation for all of it.",
            RELAY_PASSES,
        ),
    ]


def _operations_parts() -> list[Part]:
    """Parts for the tables of what people command, decide and drive."""
    return [
        columns_part(
            "loads",
            "columns of command_loads.csv",
            "The commands that must go up in a contact, one row a contact.",
            "A slot belongs to the last contact in which it can be commanded.",
            LOADS,
        ),
        columns_part(
            "decisions",
            "columns of decisions.csv",
            "The runs that people decide on after another, one row each.",
            "They look at the data of the run before once these are on Earth, decide, and command "
            "the run in a contact after that.",
            DECISIONS,
        ),
        columns_part(
            "traverse",
            "columns of traverse.csv",
            "The drives of rovers between their stops, one row each.",
            "A leg longer than longest_drive_m is driven in parts, a row each. A drive that ended "
            "short counts with the share of its time that it lasted.",
            TRAVERSE,
        ),
    ]


def _futures_parts() -> list[Part]:
    """Parts for the tables of many futures."""
    return [
        columns_part(
            "chances",
            "columns of futures.csv",
            "The slots of a plan in many futures, one row each.",
            "A slot is received if it is made and all its data are on Earth within the span. The "
            "intervals are exact (Clopper & Pearson 1934).",
            FUTURES,
        ),
        columns_part(
            "goal_chances",
            "columns of goal_futures.csv",
            "How surely each goal is reached, one row each.",
            "A goal is reached in a future if as many runs count as its minimum, or all of it, "
            "requests: received, or done if the goal says so.",
            GOAL_FUTURES,
        ),
        columns_part(
            "tries",
            "columns of tries.csv",
            "Plans made for less than is predicted, one row each.",
            "All are executed in the same futures; the plan as predicted and the chosen one in "
            "fresh futures too.",
            TRIES,
        ),
        columns_part(
            "try_goals",
            "columns of try_goals.csv",
            "How surely each of these plans reaches each goal.",
            "The futures are those that the plans are compared on.",
            TRY_GOALS,
        ),
        columns_part(
            "surer",
            "columns of surer.csv",
            "What would make goals surer, one row for each change.",
            "Each change passes the replay as predicted, and is executed by itself in the same "
            "futures as the plan.",
            SURER,
        ),
        columns_part(
            "contingencies",
            "columns of contingencies.csv",
            "What is lost if something fails for good, one row for each day.",
            "A replan is made as soon as it is lost, with nothing frozen, where the loss costs "
            "anything.",
            CONTINGENCIES,
        ),
        columns_part(
            "causes",
            "columns of causes.csv",
            "What each uncertainty costs by itself, one row each.",
            "The futures are those of futures.csv with only one of their draws.",
            CAUSES,
        ),
    ]
