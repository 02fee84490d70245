"""Words that records are written with: they stand in journals for ever and are never changed."""

# -- quality of a reading ----

GOOD = "good"
SUSPECT = "suspect"
MISSING = "missing"

# -- phases of a run ----

PREPARING = "preparing"  # waiting for the hands-on steps that come before water
WETTING = "wetting"  # the aliquots of the first wetting
SOAKING = "soaking"
DRAINING = "draining"  # waiting for a person to drain and weigh
OPENING = "opening"  # waiting for a person to open the sowing positions
GROWING = "growing"
ENDED = "ended"
CALIBRATING = "calibrating"  # no run: a technician asks for single portions

# -- purposes of a dose ----

FIRST_WETTING = "first_wetting"
MOISTURE_LED = "moisture_led"
FIXED_TIME = "fixed_time"
FALLBACK = "fallback"
CALIBRATION = "calibration"

ELSEWHERE = "elsewhere"  # not a dose of this run: water that other journals of this chamber hold

# -- what became of a dose at the moisture probe ----

AWAITED = "awaited"
SEEN = "seen"
MISSED = "missed"
UNKNOWN = "unknown"

# -- trips that the host raises by itself ----

DOSE_WITHOUT_EFFECT = "dose_without_effect"
AIR_TOO_HOT = "air_too_hot"
BOARD_OVER_DOSE = "board_over_dose"
BOARD_EXCHANGED = "board_exchanged"
JOURNAL_BEHIND = "journal_behind"
JOURNAL_STRANGE = "journal_strange"
SECOND_CONTROLLER = "second_controller"

ON_HOST = "host"
ON_BOARD = "board"

# -- how a dose ended, beyond the board's own words ---------------------------------------------------------------

NOT_STARTED = "not_started"
IN_DOUBT = "in_doubt"
FOUND_ON_BOARD = "found_on_board"  # an older copy of the journal was put back; the board remembers more than it

# -- what a person can ask for ----

SIGN_STEP = "sign_step"
CLEAR_TRIP = "clear_trip"
OBSERVE = "observe"
END_RUN = "end_run"
GIVE_PORTION = "give_portion"  # the subject is the number of steps; only while calibrating
SEE_ALARM = "see_alarm"  # somebody has seen an alarm: it is not told again
TRY_ALERT = "try_alert"  # a trial message is wanted

# -- what a start may find, and how the status lamp blinks ----

CHAMBER_CHANGED = "chamber_changed"  # the event of a start with another chamber file than the run was begun with
CHAMBER_FILE = "chamber_file"  # its words are the whole chamber file that holds from that start on

STATUS_STEADY = "steady"
STATUS_SLOW = "slow"  # an alarm stands
STATUS_FAST = "fast"  # a trip is latched
