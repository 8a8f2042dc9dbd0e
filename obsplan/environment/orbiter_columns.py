"""The columns of an orbiter's tables in order: one place for all who write or explain them."""

from obsplan.inputs.timeline_columns import Column

ORBITER_SKY = (
    Column("sun_elevation_deg", "", "Sun above the plane level with the ground below"),
    Column("sun_azimuth_deg", "", "direction of the Sun in that plane, from lunar north over east"),
    Column(
        "sun_visible_fraction", "", "share of the Sun's disc behind neither Moon nor Earth, 0 to 1"
    ),
    Column("irradiance_w_m2", "", "sunlight of the whole disc on a surface that faces it"),
    Column("local_time_h", "", "local solar time of the ground below, 12 at noon"),
    Column("earth_elevation_deg", "", "Earth above the plane level with the ground below"),
    Column("earth_azimuth_deg", "", "direction of the Earth in that plane"),
    Column("earth_range_km", "", "distance of the Earth's centre"),
    Column("earth_phase_deg", "", "angle at the Earth between Sun and orbiter: 0 when full"),
    Column("in_magnetotail", "", "whether the Moon is in the Earth's magnetotail"),
    Column("in_terrain_shadow", "", "always false"),
    Column("earth_visible_fraction", "", "share of the Earth's disc not behind the Moon, 0 to 1"),
    Column("sun_angle_deg", "", "angle between the centres of Sun and Earth"),
    Column(
        "earth_limb_angle_deg",
        "",
        "angle from the Moon's limb to the Earth's centre; negative while that is hidden",
    ),
    Column(
        "earth_longitude_deg",
        "",
        "longitude of the point of the Earth that has the orbiter in its zenith, above -180 to 180",
    ),
    Column("earth_latitude_deg", "", "geodetic latitude of that point"),
    Column("ground_longitude_deg", "", "longitude of the ground below, above -180 to 180"),
    Column("ground_latitude_deg", "", "latitude of the ground below"),
    Column("height_km", "", "height above the sphere of 1737.4 km"),
    Column(
        "surface_temperature_k",
        "",
        "estimate for the ground below, in balance with the Sun: it warms the arrays",
    ),
    Column("sun_right_ascension_deg", "", "direction of the Sun along the axes of the ICRF"),
    Column("sun_declination_deg", "", "the same"),
    Column("earth_right_ascension_deg", "", "direction of the Earth along the axes of the ICRF"),
    Column("earth_declination_deg", "", "the same"),
)
ORBITER_COLUMNS = [column.name for column in ORBITER_SKY]
OCCULTATIONS = (
    Column("platform", "", "platform in orbit"),
    Column("body", "", "Earth or Sun"),
    Column("behind", "", "what hides it: Moon or Earth, that with its opaque lower atmosphere"),
    Column("hidden", "", "any part of the disc, or the whole disc"),
    Column("from_utc", "", "begin to the nearest second, or that of the span"),
    Column("until_utc", "", "end to the nearest second, or that of the span"),
    Column("duration_s", "", "from begin to end"),
)
HIDDEN_COLUMNS = [column.name for column in OCCULTATIONS]
