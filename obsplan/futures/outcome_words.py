"""Why a run was not made, in words."""

from obsplan.futures import walk

WORDS = {
    walk.FAILED: "failed",
    walk.OUT: "out of service",
    walk.COMMANDS: "not commanded in time",
    walk.CONTACT: "no contact",
    walk.ORDER: "what it comes after is not done",
    walk.CONDITIONS: "conditions not met",
    walk.LATE: "too late",
    walk.POWER: "bus or battery power",
    walk.CHARGE: "charge",
    walk.STORAGE: "storage",
    walk.SHED: "stopped for charge",
    walk.TEMPERATURE: "unit temperature",
    walk.SPAN: "span over",
}
