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
    "read_scenario": "inputs.read_scenario.read_scenario",
    "scenario_from": "inputs.read_scenario.scenario_from",
    "make_environment": "environment.build.make_environment",
    "windows_table": "planning.problem.start_windows.windows_table",
    "make_plan": "reporting.notebook.make_plan",
    "marginal_worth": "planning.reasons.marginal_worth.marginal_worth",
    "check_timeline": "checking.check.check_timeline",
    "shown_plan": "reporting.notebook.shown_plan",
    "resources_table": "checking.check.resources_table",
    "read_timeline": "inputs.timeline_csv.read_timeline",
    "read_as_run": "inputs.timeline_csv.read_as_run",
    "compare_as_run": "operations.as_run.compare_as_run",
    "read_state": "inputs.telemetry_file.read_state",
    "stations_out": "operations.telemetry.stations_out",
    "as_known": "operations.telemetry.as_known",
    "told_runs": "operations.telemetry.told_runs",
    "make_replan": "operations.replan.make_replan",
    "uplink_deadlines": "analysis.command_deadlines.uplink_deadlines",
    "landing_days": "survey.landing_days.landing_days",
    "read_sites": "survey.site_survey.read_sites",
    "survey_sites": "survey.site_survey.survey_sites",
    "write_csv": "inputs.timeline_csv.write_csv",
    "write_plan": "reporting.plan_directory.write_plan",
    "sky_figure": "reporting.figures.sky.sky_figure",
    "link_figure": "reporting.figures.link.link_figure",
    "plan_figure": "reporting.figures.plan.plan_figure",
    "resources_figure": "reporting.figures.resources.resources_figure",
    "compare_figure": "reporting.figures.as_run.compare_figure",
    "days_figure": "reporting.figures.landing_days.days_figure",
    "survey_map": "reporting.figures.site_map.survey_map",
    "save_figure": "reporting.figures.save.save_figure",
    "ObsplanError": "common.errors.ObsplanError",
    "StateError": "common.errors.StateError",
    "ScenarioError": "common.errors.ScenarioError",
    "EphemerisError": "common.errors.EphemerisError",
    "TableError": "common.errors.TableError",
    "Infeasible": "common.errors.Infeasible",
}

__all__ = ["__version__", *_HOME]


def __getattr__(name: str):
    if name in _HOME:
        module, attribute = _HOME[name].rsplit(".", 1)
        return getattr(import_module(f"obsplan.{module}"), attribute)
    raise AttributeError(f"module 'obsplan' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
