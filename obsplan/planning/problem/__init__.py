"""The scheduling problem in whole steps, and a plan while runs are booked.

Begin with definition; from_scenario builds it, booking holds a plan, resource_flow walks
battery and store.
"""
