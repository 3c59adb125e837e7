"""Names shared by the adapter's modules: the domain and the keys of stored settings."""

from typing import Final

DOMAIN: Final = "stillwell"

CONFIG_VERSION: Final = 1
CONFIG_MINOR_VERSION: Final = 1

SUBENTRY_RESERVOIR: Final = "reservoir"

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
CONF_FILL_DEVICE: Final = "fill_device"
CONF_LONGEST_RUN_S: Final = "longest_run_s"
CONF_HIGH_INPUTS: Final = "high_inputs"
CONF_LEAK_INPUTS: Final = "leak_inputs"

DEFAULT_SALINITY_PSU: Final = 35.0
# A refill takes a little over one hour and is cut off at two (common practice, no source).
DEFAULT_LONGEST_RUN_S: Final = 7200.0
