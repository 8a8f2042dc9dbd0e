"""The caution that every plan carries: one text for every output."""

CAUTION = (
    "This plan is arithmetic on assumed figures, not a release for operation. Lasers, "
    "radioactive sources, mechanisms, transmitters and batteries can hurt people and "
    "hardware: operate them only under the flight rules, local codes and licensed practice "
    "that apply."
)
