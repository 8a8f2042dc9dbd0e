KPL/FK

Lunar frames for the orientation kernel of DE421.

The binary kernel moon_pa_de421_1990_2050.bpc orients the principal axes of
the Moon (MOON_PA_DE421, NAIF frame 31006). Maps and landing sites use the
mean-Earth frame (MOON_ME_DE421, NAIF frame 31007). The two differ by three
constant angles, 67.92, 78.56 and 0.30 arcseconds about axes 3, 2 and 1, as
NAIF's lunar frame kernel for DE421 gives them. This text is obsplan's own;
only frame names, numbers and angles are taken from there.

The radius is the mean radius of the Moon adopted by the IAU working group on
cartographic coordinates (Archinal et al. 2018, Celest. Mech. 130:22).

\begindata

FRAME_MOON_PA_DE421   = 31006
FRAME_31006_NAME      = 'MOON_PA_DE421'
FRAME_31006_CLASS     = 2
FRAME_31006_CLASS_ID  = 31006
FRAME_31006_CENTER    = 301

FRAME_MOON_ME_DE421   = 31007
FRAME_31007_NAME      = 'MOON_ME_DE421'
FRAME_31007_CLASS     = 4
FRAME_31007_CLASS_ID  = 31007
FRAME_31007_CENTER    = 301

TKFRAME_31007_SPEC     = 'ANGLES'
TKFRAME_31007_RELATIVE = 'MOON_PA_DE421'
TKFRAME_31007_ANGLES   = ( 67.92, 78.56, 0.30 )
TKFRAME_31007_AXES     = ( 3, 2, 1 )
TKFRAME_31007_UNITS    = 'ARCSECONDS'

BODY301_RADII = ( 1737.4, 1737.4, 1737.4 )

\begintext
