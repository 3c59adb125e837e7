"""Names shared by the adapter's modules: the domain and the keys of stored settings."""

from typing import Final

DOMAIN: Final = "stillwell"

CONFIG_VERSION: Final = 1
CONFIG_MINOR_VERSION: Final = 2

SUBENTRY_RESERVOIR: Final = "reservoir"
SUBENTRY_FILL_LINE: Final = "fill_line"
SUBENTRY_TEMPERATURE_WATCH: Final = "temperature_watch"
SUBENTRY_EVAPORATION_WATCH: Final = "evaporation_watch"
SUBENTRY_SALINITY_WATCH: Final = "salinity_watch"

EVENT_DECISION: Final = "stillwell_decision"

# Config entry: one water system
CONF_VOLUME_L: Final = "volume_l"
CONF_SALINITY_PSU: Final = "salinity_psu"

# Subentry: one vessel. Lengths in m, times in s.
CONF_SOURCE: Final = "source"
CONF_MEASURE: Final = "measure"
CONF_SENSOR_ZERO_M: Final = "sensor_zero_m"
CONF_SPAN_M: Final = "span_m"
CONF_SHAPE: Final = "shape"
CONF_EMPTY_M: Final = "empty_m"
CONF_START_M: Final = "start_m"
CONF_FULL_M: Final = "full_m"
CONF_HIGH_M: Final = "high_m"
CONF_TEMPERATURE_SOURCE: Final = "temperature_source"
CONF_REPLACES_EVAPORATION: Final = "replaces_evaporation"
CONF_ZERO_IS_SUSPECT: Final = "zero_is_suspect"
CONF_STALE_AFTER_S: Final = "stale_after_s"

# Subentry: one fill line. Vessels are named by their subentry's id; volumes in L.
CONF_DESTINATION: Final = "destination"
CONF_DEVICE: Final = "device"
CONF_SOURCE_VESSEL: Final = "source_vessel"
CONF_LONGEST_RUN_S: Final = "longest_run_s"
CONF_SETTLE_S: Final = "settle_s"
CONF_SHORTEST_PAUSE_S: Final = "shortest_pause_s"
CONF_DAILY_VOLUME_L: Final = "daily_volume_l"
CONF_DAILY_RUN_S: Final = "daily_run_s"
CONF_FEEDS_SYSTEM: Final = "feeds_system"
CONF_FRESH_WATER_CAP_FRAC: Final = "fresh_water_cap_frac"
CONF_HIGH_INPUTS: Final = "high_inputs"
CONF_LEAK_INPUTS: Final = "leak_inputs"
CONF_SUPPLY_EMPTY_INPUTS: Final = "supply_empty_inputs"
CONF_SECONDARY: Final = "secondary"
CONF_COUNTDOWN: Final = "countdown"
CONF_RETURN_PUMP: Final = "return_pump"
CONF_RETURN_SETTLE_S: Final = "return_settle_s"
CONF_HIGH_TEST_DAYS: Final = "high_test_days"
CONF_LEAK_TEST_DAYS: Final = "leak_test_days"
CONF_COUNTDOWN_TEST_DAYS: Final = "countdown_test_days"
CONF_REHEARSAL: Final = "rehearsal"

# Subentry: one temperature watch. Temperatures in degC.
CONF_HEATER: Final = "heater"
CONF_HEATER_POWER_W: Final = "heater_power_w"
CONF_ROOM_SOURCE: Final = "room_temperature_source"
CONF_LOW_C: Final = "low_c"
CONF_HIGH_C: Final = "high_c"

# Subentry: one evaporation watch. The vessel and the temperature watch by their subentries' ids.
CONF_VESSEL: Final = "vessel"
CONF_HUMIDITY_SOURCE: Final = "humidity_source"
CONF_SURFACE_M2: Final = "surface_m2"
CONF_ACTIVITY_FRAC: Final = "activity_frac"
CONF_TEMPERATURE_WATCH: Final = "temperature_watch"

# Subentry: one salinity watch. Salinities in PSU.
CONF_SALINITY_KIND: Final = "salinity_kind"
CONF_SALINITY_SOURCE: Final = "salinity_source"
CONF_LOW_PSU: Final = "low_psu"
CONF_HIGH_PSU: Final = "high_psu"
CONF_OVERFILL_L: Final = "overfill_l"

# Until minor version 2 a reservoir held this beside the three limits of its line.
OLD_CONF_FILL_DEVICE: Final = "fill_device"

DEFAULT_SALINITY_PSU: Final = 35.0
# A refill takes a little over one hour and is cut off at two (common practice, no source).
DEFAULT_LONGEST_RUN_S: Final = 7200.0
# A reservoir is at rest a minute after its valve has closed (common practice, no source).
DEFAULT_SETTLE_S: Final = 60.0
DEFAULT_SHORTEST_PAUSE_S: Final = 300.0
DEFAULT_RETURN_SETTLE_S: Final = 300.0
# One hundredth of the system in fresh water lowers 35 PSU by about 0.34 PSU (mass balance).
DEFAULT_FRESH_WATER_CAP_FRAC: Final = 0.01
