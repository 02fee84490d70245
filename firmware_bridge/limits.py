"""Numbers the board never exceeds, flashed with it, each with its reason. Integers only; runs on both computers.

Changing a number here changes ``CHECKSUM_TEXT``; a host that was built with other numbers may log but not dose.
Volumes in the reasons assume the example pump of 0.005 ml a step; the board itself knows only steps.
"""

PROTOCOL = 2  # raised whenever a message changes its meaning

TICK_MS = 10  # the board looks at every probe this often while it runs; a trip stops the motor in one tick
LEASE_MS_MAX = 3000  # a host that is silent for longer has lost the right to turn the pump
DOSE_STEPS_MAX = 12000  # 60 ml: less than the free board of a small bed above its medium
STEPS_PER_S_MAX = 400  # 120 ml/min: the fastest the pump is ever asked to turn
RUN_MS_MAX = 300000  # five minutes: no single dose needs longer, so a longer run is a fault
MADE_GOOD_MS_MAX = 20  # a late tick makes good at most this much turning: what is missed is lost, never hurried
SAVING_MS_MAX = 2000  # a dose whose intent cannot be saved for so long will not be: the memory is worn or full
RUN_MARGIN_MS = 2000  # a dose may take this much longer than steps / rate before it counts as a fault
WINDOW_SLOT_MS = 3600000  # the ring of the rolling day: one slot an hour
WINDOW_SLOTS = 25  # 25 hourly slots cover every 24 h window whatever its start
WINDOW_STEPS_MAX = 60000  # 300 ml in any 24 h: a first wetting and a day's watering, never a flood
ROTOR_STEPS_TOLERANCE = 40  # the rotor sensor may count this many steps more than were ordered (coasting, jitter)
DRY_MS_MIN = 5000  # probes must have read dry and whole for this long before a trip can be cleared

# Probe counts are those of a 12-bit converter with the wiring of the probes: a pull-up, and an end-of-line
# resistor in the probe, so that a dry probe, a wet probe and a cut wire read in three separate bands.
COUNT_MAX = 4095
WET_BELOW_COUNTS = 1400  # water, a raised float or a short circuit pulls the line low
OPEN_ABOVE_COUNTS = 3200  # a cut wire lets the line rise to the supply

NAMES = (
    "PROTOCOL",
    "TICK_MS",
    "LEASE_MS_MAX",
    "DOSE_STEPS_MAX",
    "STEPS_PER_S_MAX",
    "RUN_MS_MAX",
    "MADE_GOOD_MS_MAX",
    "SAVING_MS_MAX",
    "RUN_MARGIN_MS",
    "WINDOW_SLOT_MS",
    "WINDOW_SLOTS",
    "WINDOW_STEPS_MAX",
    "ROTOR_STEPS_TOLERANCE",
    "DRY_MS_MIN",
    "COUNT_MAX",
    "WET_BELOW_COUNTS",
    "OPEN_ABOVE_COUNTS",
)

_here = globals()
CHECKSUM_TEXT = ";".join([name + "=" + str(_here[name]) for name in NAMES])
