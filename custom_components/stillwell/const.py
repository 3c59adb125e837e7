"""Names shared by the adapter's modules: the domain and the keys of stored settings."""

from typing import Final

DOMAIN: Final = "stillwell"

CONFIG_VERSION: Final = 1
CONFIG_MINOR_VERSION: Final = 2

SUBENTRY_RESERVOIR: Final = "reservoir"
SUBENTRY_FILL_LINE: Final = "fill_line"
SUBENTRY_TEMPERATURE_WATCH: Final = "temperature_watch"
SUBENTRY_RODI_UNIT: Final = "rodi_unit"
SUBENTRY_WATER_CHANGE: Final = "water_change"
SUBENTRY_SUMP: Final = "sump"
SUBENTRY_MIXING_VAT: Final = "mixing_vat"

# What holds water and has a level; the order is the one of lists.
VESSEL_KINDS: Final = (SUBENTRY_RESERVOIR, SUBENTRY_SUMP, SUBENTRY_MIXING_VAT)
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

# Subentry: a sump has these besides, CONF_RETURN_PUMP too; an area in m2.
CONF_RIM_M: Final = "rim_m"
CONF_DISPLAY_SURFACE_M2: Final = "display_surface_m2"

# Subentry: a mixing vat has these besides.
CONF_TARGET_PSU: Final = "target_psu"
CONF_SALINITY_SOURCE: Final = "salinity_source"
CONF_SALINITY_AT_25: Final = "salinity_at_25"
CONF_SALT_WATER_FRAC: Final = "salt_water_frac"

# Subentry: one fill line. Vessels are named by their subentry's id; volumes in L.
CONF_DESTINATION: Final = "destination"
CONF_DEVICE: Final = "device"
CONF_DIRECTION: Final = "direction"
DIRECTION_FILL: Final = "fill"
DIRECTION_DRAIN: Final = "drain"
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
CONF_SILENCE_S: Final = "silence_s"

# Subentry: one dosing line. Volumes in L, rates in L/h, ORP in mV.
SUBENTRY_DOSING: Final = "dosing"
CONF_VESSEL: Final = "vessel"
CONF_TARGET_M: Final = "target_m"
CONF_DOSING_PUMP: Final = "dosing_pump"
CONF_PUMP_L_PER_H: Final = "pump_l_per_h"
CONF_CEILING_L_PER_H: Final = "ceiling_l_per_h"
CONF_FLOOR_L_PER_H: Final = "floor_l_per_h"
CONF_MOST_PER_DOSE_L: Final = "most_per_dose_l"
CONF_MOST_PER_HOUR_L: Final = "most_per_hour_l"
CONF_MOST_PER_DAY_L: Final = "most_per_day_l"
CONF_ALKALINITY_DKH: Final = "alkalinity_dkh"
CONF_MOST_PH_RISE: Final = "most_ph_rise"
CONF_STOCK_VESSEL: Final = "stock_vessel"
CONF_STOCK_TEMPERATURE: Final = "stock_temperature_source"
CONF_STOCK_CONDUCTIVITY: Final = "stock_conductivity_source"
CONF_PH_SOURCE: Final = "ph_source"
CONF_PH_LOW: Final = "ph_low"
CONF_PH_HIGH: Final = "ph_high"
CONF_ORP_SOURCE: Final = "orp_source"
CONF_ORP_LOW_MV: Final = "orp_low_mv"
CONF_ORP_HIGH_MV: Final = "orp_high_mv"

# Subentry: one RO/DI unit. Its fill line is named by its subentry's id; volumes in L.
CONF_FILL_LINE: Final = "fill_line"
CONF_WASTE_RATIO: Final = "waste_per_product"
CONF_STAGES: Final = "stages"
CONF_RATED_L: Final = "rated_l"
CONF_FEED_PRESSURE_SOURCE: Final = "feed_pressure_source"
CONF_FEED_SOLIDS_SOURCE: Final = "feed_solids_source"
CONF_PRODUCT_SOLIDS_SOURCE: Final = "product_solids_source"

# Subentry: one evaporation watch. The vessel and the temperature watch by their subentries' ids.
CONF_HUMIDITY_SOURCE: Final = "humidity_source"
CONF_SURFACE_M2: Final = "surface_m2"
CONF_ACTIVITY_FRAC: Final = "activity_frac"
CONF_TEMPERATURE_WATCH: Final = "temperature_watch"

# Subentry: one salinity watch. Salinities in PSU.
CONF_SALINITY_KIND: Final = "salinity_kind"
CONF_LOW_PSU: Final = "low_psu"
CONF_HIGH_PSU: Final = "high_psu"
CONF_OVERFILL_L: Final = "overfill_l"

# Subentry: one water change. Lines are named by their subentry's id.
CONF_DRAIN_LINE: Final = "drain_line"
CONF_REFILL_LINE: Final = "refill_line"
CONF_LARGEST_SHARE_FRAC: Final = "largest_share_frac"

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
