"""Arrays in, arrays out: sky, terrain, ground temperature, solar arrays, radio link.

Nothing here knows a scenario or a table. Begin with sky; environment/ calls the rest.
"""
