"""The order of the rover's stops: which sequences of places are worth most, by real minutes.

Begin with orienteering (`best_routes`); places says what it must be told.
"""
