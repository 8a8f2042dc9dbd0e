"""Numbers of nature, with the unit in the name and the source on the line."""

SUN_RADIUS_KM = 695_700.0  # IAU 2015 resolution B3, nominal solar radius
SOLAR_IRRADIANCE_W_M2 = 1361.0  # at 1 au; IAU 2015 resolution B3; Kopp & Lean 2011
ASTRONOMICAL_UNIT_KM = 149_597_870.7  # IAU 2012 resolution B2
EARTH_RADIUS_KM = 6378.14  # equatorial; Astronomical Almanac convention for eclipses
EARTH_EQUATORIAL_RADIUS_KM = 6378.137  # WGS 84 ellipsoid, for ground stations; NIMA TR8350.2
EARTH_FLATTENING = 1 / 298.257223563  # WGS 84 ellipsoid; NIMA TR8350.2
# The lower atmosphere is opaque, so the Earth covers the Sun as if it were 1 % larger:
# Espenak & Meeus 2009, NASA/TP-2009-214173, after the almanac's rule.
EARTH_SHADOW_ENLARGEMENT = 1.01
MOON_RADIUS_KM = 1737.4  # Archinal et al. 2018, Celest. Mech. 130:22
SYNODIC_MONTH_DAYS = 29.530589  # mean; Meeus, Astronomical Algorithms 2nd ed.
# From node to node of the Moon's orbit: the year of its seasons. Meeus, Astronomical Algorithms
# 2nd ed., as quoted by others.
DRACONIC_YEAR_DAYS = 346.620
SPEED_OF_LIGHT_KM_S = 299_792.458  # SI definition
STEFAN_BOLTZMANN_W_M2_K4 = 5.670374419e-8  # CODATA 2018, exact
BOLTZMANN_DBW_PER_K_HZ = -228.599167  # 10 log10(1.380649e-23), SI definition
# Brightness at microwaves, which come from decimetres deep: that soil of the warmest kind,
# averaged over the disc, is 240 K warm by obsplan's own model of the ground
# (tests/outside/test_link_published.py), and no body is brighter than it is warm.
MOON_BRIGHTNESS_TEMPERATURE_K = 240.0
