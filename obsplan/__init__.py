"""obsplan plans one lunar day of surface science.

    import obsplan

    scenario = obsplan.read_scenario("scenario.toml")
    environment = obsplan.make_environment(scenario)
    plan = obsplan.make_plan(scenario, environment)
    plan.timeline  # a pandas table

The public names load on first use, so that importing the package costs nothing.
"""

from importlib import import_module

__version__ = "0.1.0"

# Public name: where it lives. A function may not share its module's name here, since
# importing the module would put it in the function's place.
_HOME = {
    "read_scenario": "scenario.read_scenario",
    "scenario_from": "scenario.scenario_from",
    "make_environment": "environment.environment",
    "windows_table": "windows.windows_table",
    "make_plan": "notebook.make_plan",
    "shown_plan": "notebook.shown",
    "marginal_worth": "worth.marginal_worth",
    "check_timeline": "check.check",
    "shown_plan": "notebook.shown",
    "resources_table": "check.resources_table",
    "read_timeline": "tables.read_timeline",
    "read_as_run": "tables.read_as_run",
    "compare_as_run": "compare.compare",
    "read_state": "state.read_state",
    "stations_out": "state.stations_out",
    "as_known": "state.as_known",
    "told_runs": "state.told_runs",
    "make_replan": "replan.replan",
    "uplink_deadlines": "deadlines.deadlines_table",
    "landing_days": "days.days",
    "read_sites": "sites.read_sites",
    "survey_sites": "sites.survey",
    "write_csv": "tables.write_csv",
    "write_plan": "pages.write_plan",
    "sky_figure": "figures.sky_figure",
    "link_figure": "figures.link_figure",
    "plan_figure": "figures.plan_figure",
    "resources_figure": "figures.resources_figure",
    "compare_figure": "figures.compare_figure",
    "days_figure": "figures.days_figure",
    "survey_map": "figures.survey_map",
    "save_figure": "figures.save",
    "ObsplanError": "errors.ObsplanError",
    "StateError": "errors.StateError",
    "ScenarioError": "errors.ScenarioError",
    "EphemerisError": "errors.EphemerisError",
    "TableError": "errors.TableError",
    "DoesNotHold": "errors.DoesNotHold",
}

__all__ = ["__version__", *_HOME]


def __getattr__(name: str):
    if name in _HOME:
        module, attribute = _HOME[name].split(".")
        return getattr(import_module(f"obsplan.{module}"), attribute)
    raise AttributeError(f"module 'obsplan' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
