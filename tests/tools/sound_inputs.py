"""Sound inputs of every kind, which the cases of mangled inputs begin with.

The scenario has every key, save those that exclude one that is there.
"""

from tools.orbits import kvn, segment

# Over so short a span that a command takes moments.
SCENARIO = """
title = "mangled"
[site]
name = "shelf"
latitude_deg = 40.0
longitude_deg = 10.0
height_m = -100.0
skyline = "around.csv"
slope_deg = 3.0
aspect_deg = 180.0
slope_uncertainty_deg = 2.0
magnetotail_limit_deg = 30.0
soil = "mare"
normal_albedo = 0.1
emissivity = 0.95
density_scale_m = 0.06
heat_flow_w_m2 = 0.02
depths_m = [0.1]
[span]
start_utc = 2028-07-05T00:00:00Z
end_utc = 2028-07-05T06:00:00Z
step_min = 30
[uplink]
lead_min = 10
loaded_until_utc = 2028-07-05T04:00:00Z
[landing]
sun_elevation_deg = [2, 60]
earth_elevation_min_deg = 1.0
stations = 1
[margins]
power_share = 0.05
energy_share = 0.05
store_share = 0.05
link_share = 0.05
[[station]]
name = "north"
latitude_deg = 40.0
longitude_deg = 0.0
height_m = 800.0
sun_limit_deg = 1.5
set_up_min = 3
skyline = "mask.csv"
passes = "passes.csv"
g_over_t_db_k = 20.0
[[station]]
name = "south"
latitude_deg = -30.0
longitude_deg = -70.0
mask_deg = 5.0
g_over_t_db_k = 20.0
system_temperature_k = 150.0
beam_width_deg = 0.5
[[platform]]
name = "lander"
kind = "lander"
idle_w = 20.0
bus_limit_w = 100.0
night_w = 3.0
heater = { power_w = 5.0, below_k = 200.0 }
store = { capacity_mbit = 1000.0, start_mbit = 10.0, end_limit_mbit = 900.0 }
pointing = { slew_min = 5, antenna = "steered" }
[platform.battery]
capacity_wh = 200.0
reserve = 0.3
end = 0.35
charge_efficiency = 0.9
discharge_efficiency = 0.92
charge_limit_w = 90.0
taper_above = 0.9
discharge_limit_w = 80.0
fade = 0.05
[[platform.array]]
area_m2 = 0.3
efficiency = 0.3
facing = "fixed"
azimuth_deg = 150.0
tilt_deg = 30.0
temperature_coefficient_per_k = -0.002
shadow = "shadow.csv"
[[platform.unit]]
name = "battery"
table = "thermal.csv"
surviving_k = [230, 330]
charges_above_k = 250.0
[platform.radio]
transmit_w = 20.0
handover_min = 2
minimum_elevation_deg = 4.0
[platform.radio.budget]
frequency_mhz = 2250.0
transmit_dbw = 7.0
antenna_gain_dbi = 8.0
losses_db = 2.5
required_ebn0_db = 2.0
margin_db = 3.0
ceiling_kbps = 128.0
[[platform]]
name = "rover"
kind = "rover"
idle_w = 2.0
bus_limit_w = 40.0
one_at_a_time = true
array = [{ area_m2 = 0.1, efficiency = 0.3, dust_loss = 0.1 }]
battery = { capacity_wh = 60.0, reserve = 0.3, start = 0.9 }
margins = { power_share = 0.1, energy_share = 0.1, store_share = 0.1, link_share = 0.2 }
radio = { to = "lander", transmit_w = 2.0, rate_kbps = 50.0, range_limit_m = 500.0 }
track = [{ from_utc = 2028-07-05T00:00:00Z, distance_m = 20.0 }]
store = { capacity_mbit = 300.0 }
[[platform.unit]]
name = "head"
instruments = ["camera"]
heat_capacity_j_k = 700.0
start_k = 250.0
ground_w_k = 0.02
radiating_m2 = 0.01
absorbing_m2 = 0.002
idle_heat_w = 0.5
run_heat_share = 0.3
thermostat = { power_w = 2.0, on_below_k = 245.0, off_above_k = 255.0 }
operating_k = [240, 320]
switch_on_k = [243, 315]
[[platform]]
name = "scout"
kind = "rover"
idle_w = 2.0
bus_limit_w = 40.0
array = [{ area_m2 = 0.1, efficiency = 0.3 }]
battery = { capacity_wh = 60.0, reserve = 0.3, start = 0.9 }
radio = { to = "lander", transmit_w = 2.0, rate_kbps = 50.0, range_limit_m = 400.0 }
store = { capacity_mbit = 300.0 }
parking = { stop = ["lander", "S1"], within_m = 100.0, facing_deg = 90.0 }
[platform.drive]
speed_by_slope = [[10, 1.5], [20, 0.5]]
power_w = 10.0
data_mbit_per_m = 0.1
longest_drive_m = 20.0
decide_min = 5
priority = 1
contact = "none"
lead_min = 5
disturbs = false
needs = ["drivers"]
not_towards_sun_deg = 5.0
ground = "straight"
detour = 1.2
hazards = "hazards.csv"
[platform.drive.when]
sun_elevation_deg = [0, 80]
sun_visible_fraction = [0.5, 1]
earth_elevation_deg = [1, 90]
earth_phase_deg = [0, 180]
surface_temperature_k = [150, 400]
ground = { depth_m = 0.2, temperature_k = [100, 400] }
unit = { name = "battery", temperature_k = [230, 330] }
local_time_h = [5, 20]
in_terrain_shadow = false
in_magnetotail = true
[[platform.drive.after]]
activity = "trench"
settle_min = 5
each = true
received = true
decide_min = 10
from_utc = 2028-07-05T01:00:00Z
until_utc = 2028-07-05T05:30:00Z
[[stop]]
name = "S1"
platform = "scout"
east_m = 25.0
north_m = -10.0
value_factor = 1.5
skyline = "around.csv"
[[stop]]
name = "S2"
platform = "scout"
latitude_deg = 40.0008
longitude_deg = 10.0003
[[instrument]]
name = "shovel"
platform = "scout"
[[activity]]
name = "trench"
instrument = "shovel"
duration_min = 20
power_w = 5.0
data_mbit = 1.0
at = "stops"
[[instrument]]
name = "probe"
platform = "lander"
hazard = "laser"
[[instrument]]
name = "camera"
platform = "rover"
one_at_a_time = false
[[activity]]
name = "sweep"
instrument = "probe"
duration_min = 40
warm_up_min = 5
warm_up_w = 3.0
power_w = 10.0
data_mbit = 5.0
priority = 2
count = 2
must = 1
value = 2.0
gap_min = 30
contact = "start"
lead_min = 20
received_by_h = 4.0
disturbs = true
needs = ["operators"]
[activity.when]
sun_elevation_deg = [0, 80]
sun_visible_fraction = [0.5, 1]
earth_elevation_deg = [1, 90]
earth_phase_deg = [0, 180]
surface_temperature_k = [150, 400]
ground = { depth_m = 0.2, temperature_k = [100, 400] }
unit = { name = "battery", temperature_k = [230, 330] }
local_time_h = [5, 20]
in_terrain_shadow = false
in_magnetotail = true
[[activity]]
name = "panorama"
instrument = "camera"
duration_min = 30
power_w = 8.0
data_mbit = 20.0
priority = 1
count = 2
repeat_worth = 0.8
first_runs_in_contact = 1
quiet = true
not_with = ["sweep"]
needs = ["operators", "drivers"]
after = [{ activity = "sweep", settle_min = 10 }]
coverage = { over = "span_h", edges = [0, 3, 6] }
[[activity]]
name = "close look"
instrument = "camera"
duration_min = 30
power_w = 6.0
data_mbit = 4.0
value = 3.0
[[activity.after]]
activity = "panorama"
each = true
received = true
decide_min = 20
from_utc = 2028-07-05T01:00:00Z
until_utc = 2028-07-05T05:30:00Z
[[activity]]
name = "listening"
instrument = "probe"
points = "sky"
duration_min = 90
split_min = 30
power_w = 1.0
value = 0.5
[[goal]]
name = "pictures by Sun"
runs_of = ["panorama", "close look"]
over = ["sun_elevation_deg", "span_h"]
edges = [[0, 40, 90], [0, 3, 6]]
runs_each = 2
minimum = { bins = 1, runs_each = 1 }
value = 4.0
minimum_value = 2.5
together = false
counted = "received"
required = "none"
[[goal]]
name = "trenches"
runs_of = ["trench"]
over = ["stop"]
stops = ["S1", "S2"]
value = 3.0
[[team]]
name = "operators"
shifts = "shifts.csv"
[[team]]
name = "drivers"
hours_utc = [["00:00", "04:30"], ["22:00", "23:00"]]
at_once = 2
[futures]
samples = 3
seed = 2
slip_min = 20
[[uncertainty]]
what = "array output"
of = "lander"
factor = [0.8, 0.95, 1.0]
[[uncertainty]]
what = "run fails"
chance = 0.2
[[uncertainty]]
what = "out of service"
of = "rover"
per_day = 0.5
lasts_h = [1, 2, 4]
[[pin]]
activity = "sweep"
start_utc = 2028-07-05T01:00:00Z
[[keep_out]]
activity = "sweep"
from_utc = 2028-07-05T03:00:00Z
until_utc = 2028-07-05T03:20:00Z
[[keep_out]]
platform = "rover"
from_utc = 2028-07-05T00:10:00Z
until_utc = 2028-07-05T00:30:00Z
[[keep_out]]
instrument = "probe"
from_utc = 2028-07-05T05:40:00Z
until_utc = 2028-07-05T05:50:00Z
"""
TIMELINE = """slot,platform,instrument,activity,start_utc,end_utc,duration_min,state,power_w,value
s001,lander,probe,sweep,2028-07-05T01:00:00Z,2028-07-05T02:00:00Z,60,planned,10,2
s002,rover,camera,panorama,2028-07-05T02:30:00Z,2028-07-05T03:00:00Z,30,planned,8,1
s003,rover,camera,panorama,2028-07-05T03:30:00Z,2028-07-05T04:00:00Z,30,planned,8,1
s004,rover,camera,close look,2028-07-05T05:00:00Z,2028-07-05T05:30:00Z,30,planned,6,3
s005,lander,radio,lander downlink,2028-07-05T00:00:00Z,2028-07-05T06:00:00Z,360,planned,20,
s006,rover,radio,rover relay,2028-07-05T00:00:00Z,2028-07-05T06:00:00Z,360,planned,2,
"""
AS_RUN = """slot,activity,start_utc,end_utc,outcome,reason
s001,sweep,2028-07-05T01:00:00Z,2028-07-05T02:00:00Z,done,
s002,panorama,2028-07-05T02:30:00Z,2028-07-05T02:50:00Z,shortened,too dark
s003,panorama,2028-07-05T03:30:00Z,,failed,"stuck, twice"
"""
STATE = """
at_utc = 2028-07-05T03:00:00Z
[[platform]]
name = "lander"
at_utc = 2028-07-05T02:55:00Z
state_of_charge = 0.8
stored_mbit = 12.0
array_factor = 0.9
[[platform]]
name = "scout"
at_utc = 2028-07-05T02:55:00Z
at = "S1"
odometer_m = 120.0
unreachable = ["S2"]
[[unit]]
name = "head"
at_utc = 2028-07-05T02:50:00Z
temperature_k = 260.0
[[instrument]]
name = "camera"
from_utc = 2028-07-05T04:00:00Z
until_utc = 2028-07-05T05:00:00Z
[[station]]
name = "south"
from_utc = 2028-07-05T05:40:00Z
until_utc = 2028-07-05T06:00:00Z
[[slot]]
slot = "s002"
outcome = "shortened"
start_utc = 2028-07-05T02:30:00Z
end_utc = 2028-07-05T02:50:00Z
reason = "too dark"
"""
SITES = """name,latitude_deg,longitude_deg,height_m,slope_deg,aspect_deg,skyline
shelf,40.0,10.0,-100,3,180,around.csv
plain,-5,340,0,,,flat
"""
WINDOWS = """start_utc,end_utc
2028-07-05T01:00:00Z,2028-07-05T02:30:00Z
2028-07-05 03:00,2028-07-05 05:00
"""
# Over all elevations of the Sun, as landing days ask for them too.
THERMAL = """sun_elevation_deg,cold_k,hot_k,cold_heater_w,hot_heater_w
-90,245,255,6,5
0,250,262,4,3.5
20,265,280,1,0
90,280,300,0,0
"""
SHADOW = """sun_azimuth_deg,sun_elevation_deg,factor
0,-90,1
0,90,1
120,-90,0.8
120,90,1
240,-90,0.5
240,90,0.9
"""
PASSES = """station,acquisition_utc,loss_utc,platform
north,2028-07-05T00:00:00Z,2028-07-05T01:20:00Z,
north,2028-07-05T01:25:00Z,2028-07-05T01:57:00Z,lander
south,2028-07-06T05:00:00Z,2028-07-06T06:00:00Z,lander
"""
HAZARDS = """name,east_m,north_m,radius_m
boulders,5,10,
boulders,9,10,
boulders,9,14,
,15,-5,1.5
"""
SHIFTS = """start_utc,end_utc
2028-07-05T00:30:00Z,2028-07-05T03:00:00Z
2028-07-05 03:00,2028-07-05 06:30
"""
# Two platforms in orbit and none on the ground; `bench` in mangled.py writes the SPK file.
FLYING = """
title = "mangled in orbit"
[span]
start_utc = 2028-07-05T00:00:00Z
end_utc = 2028-07-05T06:00:00Z
step_min = 5
[[station]]
name = "north"
latitude_deg = 40.0
longitude_deg = 0.0
set_up_min = 3
[[platform]]
name = "orbiter"
kind = "orbiter"
idle_w = 30.0
bus_limit_w = 150.0
orbit = { file = "orbit.oem" }
pointing = { slew_min = 5, antenna = "steered", arrays = "fixed" }
array = [{ area_m2 = 1.0, efficiency = 0.3 }]
battery = { capacity_wh = 300.0, reserve = 0.3 }
store = { capacity_mbit = 500.0 }
[platform.radio]
transmit_w = 30.0
rate_kbps = 200.0
minimum_elevation_deg = 1.0
receive_g_over_t_db_k = -20.0
[[platform]]
name = "second"
kind = "orbiter"
idle_w = 30.0
bus_limit_w = 150.0
orbit = { file = "orbit.bsp", target = -999 }
array = [{ area_m2 = 1.0, efficiency = 0.3 }]
battery = { capacity_wh = 300.0, reserve = 0.3 }
radio = { transmit_w = 30.0, rate_kbps = 200.0 }
store = { capacity_mbit = 500.0 }
[[instrument]]
name = "imager"
platform = "orbiter"
[[activity]]
name = "whole Earth"
instrument = "imager"
duration_min = 10
power_w = 10.0
data_mbit = 20.0
count = 3
points = "earth"
coverage = { over = "earth_longitude_deg", edges = [-180, 0, 180] }
[activity.when]
earth_phase_deg = [0, 180]
earth_visible_fraction = [0.5, 1]
sun_angle_deg = [10, 180]
earth_limb_angle_deg = [-5, 180]
earth_longitude_deg = [170, -10]
earth_latitude_deg = [-40, 40]
[[goal]]
name = "sides"
runs_of = ["whole Earth"]
over = ["earth_phase_deg", "earth_longitude_deg"]
edges = [[0, 90, 180], [-90, 90, 270]]
value = 4.0
"""
ORBIT = kvn([segment("2028-07-04T23:30:00", 480, step_s=120)])
# What a command reads of an old plan.
OLD_PLAN = {
    "timeline.csv": TIMELINE,
    "summary.json": '{"input_sha256_16": "0123456789abcdef", "title": "older"}',
    "SHA256SUMS": f"{'0' * 64}  timeline.csv\n{'1' * 64}  plan.ics\n",
    "plan.ics": """BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//obsplan//obsplan 0.1.0//EN
BEGIN:VEVENT
SUMMARY:sweep
DTSTART:20280705T010000Z
DTEND:20280705T020000Z
DTSTAMP:20280705T000000Z
UID:0123-sweep-1@obsplan
SEQUENCE:0
STATUS:TENTATIVE
CATEGORIES:slot
END:VEVENT
END:VCALENDAR
""".replace("\n", "\r\n"),
}
FILES = {
    "small.toml": SCENARIO,
    "around.csv": "azimuth_deg,elevation_deg\n0,1.5\n90,2.5\n180,0.5\n270,1\n",
    "mask.csv": "azimuth_deg,elevation_deg\n0,10\n120,12.5\n240,8\n",
    "timeline.csv": TIMELINE,
    "as_run.csv": AS_RUN,
    "state.toml": STATE,
    "sites.csv": SITES,
    "windows.csv": WINDOWS,
    "thermal.csv": THERMAL,
    "shadow.csv": SHADOW,
    "passes.csv": PASSES,
    "shifts.csv": SHIFTS,
    "hazards.csv": HAZARDS,
    "flying.toml": FLYING,
    "orbit.oem": ORBIT,
}
