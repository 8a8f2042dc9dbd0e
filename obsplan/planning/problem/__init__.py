"""The scheduling problem in whole steps, and a plan while runs are booked.

Begin with definition; from_scenario builds it, booking is a plan under construction, resource_flow
walks battery and store.
"""
