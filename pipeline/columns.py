"""Names of columns, each once, with the unit in it; a mapped column has none in its name, for its layer says it."""

# Input layers, as the configuration maps them: quantities in the unit that the layer tells.
ROW_SPACING, STRIP_WIDTH, STARTED_AT, ENDED_AT = "row_spacing", "strip_width", "started_at", "ended_at"
OFFSET, DISTANCE, TAPE_ERROR = "offset", "distance", "tape_error"
SPEED, HEADING, RECORD = "speed", "heading", "record"
# What of these is a number in SI, and what has no unit.
FIELD_ID, FARM, GROWER = "field_id", "farm", "grower"
PASS_ID, ROW_COUNT, ROW_SPACING_M, STRIP_WIDTH_M = "pass_id", "row_count", "row_spacing_m", "strip_width_m"
STARTED_S, ENDED_S = "started_s", "ended_s"
TIER, FRAME, EPOCH, FIX = "tier", "frame", "epoch", "fix"
BASE_ID, SURVEYED, BASELINE_M, REACH = "base_id", "surveyed", "baseline_m", "reach"

# What may stand in the column of the reach.
IN_REACH, OUT_OF_REACH, REACH_UNKNOWN = "in reach", "out of reach", "unknown"
# And in that of the base.
SURVEYED_BASE, NOT_SURVEYED = "surveyed", "not surveyed"

# The machine that made a pass, or wrote a point of a log.
MACHINE = "machine"

# A pass without a number is named by us.
UNNAMED = "unnamed "

# Ground checks and zones.
CHECK, MEASURED_M, SIGNED, TAPE_ERROR_M = "check", "measured_m", "signed", "tape_error_m"
FACTOR, UNAVAILABLE = "factor", "unavailable"
# When the receiver was last switched on before a pass.
START_S, BASE_SURVEYED = "start_s", "base_surveyed"
# Whether a pass was laid while the receiver's fix was not one under which its tier's figures hold.
SIGNAL_LOST = "signal_lost"
# Stretches of passes, and where a line begins in its unbroken part of a row.
STRETCH, ALONG_M, ZONES, SINCE0_S, SINCE1_S, START = "stretch", "along_m", "zones", "since0_s", "since1_s", "start"

# When a pass was laid, by the clock of its operation, and the number of the visit.
TIME_S, VISIT = "time_s", "visit"

# Planted rows.
ROW, PASS, PART, UNIT, TIGHT = "row", "pass", "part", "unit", "tight_bend"
# By which a planted line finds its own strip.
OWN_KEY, OWN_REACH_M = "own_key", "own_reach_m"

# Figures of the tables of results.
ROW_LENGTH_M, HOLDS_M, DOUBT_M, MISSES_M = "row_length_m", "holds_m", "doubt_m", "misses_m"
NO_STRIP_M, CROSSING_M, OUTSIDE_M = "no_strip_m", "crossing_m", "outside_m"
EXPECTED_MISS_M, EXPECTED_MISS_SHARE = "expected_miss_m", "expected_miss_share"
P10, P50, P90 = "miss_share_p10", "miss_share_p50", "miss_share_p90"
ROWS_MISSED, LONGEST_RUN_M = "row_count_expected_missed", "longest_miss_run_m"
RASTER_HOLDS_M, RASTER_DOUBT_M, RASTER_MISSES_M = "raster_holds_m", "raster_doubt_m", "raster_misses_m"
TOLERANCE_M = "tolerance_m"
RASTER_GAP_SHARE, RASTER_TOLERANCE_SHARE = "raster_gap_share", "raster_tolerance_share"
MISS_ANY_M = "expected_miss_any_strip_m"
AREA_M2 = "area_m2"
CONVERGING_ROW_M, CONVERGING_STRIP_M = "converging_row_m", "converging_strip_m"
CONVERGING_MISS_M, PLANNED_START_MISS_M = "converging_miss_m", "planned_start_miss_m"
ZONE_M, ZONE_MISS_M = "zone_m", "zone_miss_m"
LARGEST_REPEATABLE_M, NARROWEST_STRIP_M = "largest_repeatable_m", "narrowest_strip_m"
CONVERGING_M, WORST_95_M, BASE = "converging_m", "worst_95_m", "base"
WAIT_MIN, AVOIDED_M = "wait_min", "avoided_miss_m"
STRIP_OUTSIDE_M = "strip_outside_m"
REPEATABLE_95_M, FRAME_EAST_M, FRAME_NORTH_M = "repeatable_95_m", "frame_east_m", "frame_north_m"
# For the sheets alone.
MIDDLE_95_M = "middle_95_m"

FIGURES = [
    ROW_COUNT, ROW_LENGTH_M, HOLDS_M, DOUBT_M, MISSES_M, NO_STRIP_M, CROSSING_M, OUTSIDE_M, EXPECTED_MISS_M,
    EXPECTED_MISS_SHARE, P10, P50, P90, ROWS_MISSED, LONGEST_RUN_M, RASTER_HOLDS_M, RASTER_DOUBT_M,
    RASTER_MISSES_M, RASTER_GAP_SHARE,
]  # fmt: skip
# Columns that come after `FIGURES`, whose order stays as it is.
EXTRAS = [RASTER_TOLERANCE_SHARE, MISS_ANY_M, REPEATABLE_95_M, BASELINE_M, REACH]
FIELD_EXTRAS = [FRAME_EAST_M, FRAME_NORTH_M, STRIP_OUTSIDE_M]
# What starts, zones and moved bases come to in a field under a tier, and what would be enough.
FIELD_MORE = [
    BASE, CONVERGING_ROW_M, CONVERGING_STRIP_M, CONVERGING_MISS_M, PLANNED_START_MISS_M, ZONE_M, ZONE_MISS_M,
    LARGEST_REPEATABLE_M, NARROWEST_STRIP_M,
]  # fmt: skip
ROW_MORE = [CONVERGING_M, WORST_95_M]

# The same figures after the ground checks, and what the checks say of the field.
CHECKED_LENGTHS = [f"checked_{name}" for name in (HOLDS_M, DOUBT_M, MISSES_M, EXPECTED_MISS_M)]
CHECKED_ROWS_MISSED = f"checked_{ROWS_MISSED}"
# What adds up over rows.
CHECKED_SUMS = [*CHECKED_LENGTHS, CHECKED_ROWS_MISSED]
CHECKED_SHARE = f"checked_{EXPECTED_MISS_SHARE}"
CHECKED_SHARES = [f"checked_{name}" for name in (P10, P50, P90)]
CHECK_COUNT, CHECKS_FIT_TIER_P = "check_count", "checks_fit_tier_p"
CHECK_FACTS = [
    CHECKS_FIT_TIER_P, "checks_fit_each_other_p", "shift_east_m", "shift_north_m", "shift_east_sd_m",
    "shift_north_sd_m", "machine_bias_m", "machine_bias_sd_m",
]  # fmt: skip
CHECKED_FIELD = [CHECK_COUNT, *CHECKED_LENGTHS, CHECKED_SHARE, *CHECKED_SHARES, *CHECK_FACTS, CHECKED_ROWS_MISSED]
CHECKED_ROW = [*CHECKED_LENGTHS, CHECKED_SHARE, *CHECKED_SHARES, CHECKED_ROWS_MISSED]

# The shift to give the planter's lines, and where to dig.
EAST_M, NORTH_M, BEARING_DEG, ACROSS_M, WHOLE = "east_m", "north_m", "bearing_deg", "across_m", "whole"
SHARE_BEFORE, SHARE_AFTER = f"{EXPECTED_MISS_SHARE}_before", f"{EXPECTED_MISS_SHARE}_after"
SHIFT_COLUMNS = [
    FIELD_ID, FARM, TIER, EAST_M, NORTH_M, BEARING_DEG, ALONG_M, ACROSS_M, WHOLE, SHARE_BEFORE, SHARE_AFTER,
]  # fmt: skip

# Layers for a map: lines and bands, classes of row, ground checks and where to dig next.
LENGTH_M, START_M, END_M, HALF_WIDTH_M = "length_m", "start_m", "end_m", "half_width_m"
SINCE_START_S, STRIP_SINCE_START_S = "since_start_s", "strip_since_start_s"
CLASS, MISS, MISS_SHARE, LEFT_OUT_Z = "class", "miss", "miss_share", "left_out_z"
DIG_PLACE, OFFSET_M, SHARE_SD, LEFT_SD = "place", "offset_m", "share_sd", "left_sd"


def under(name: str, tier: str) -> str:
    """Name of a column that a layer has once for each tier."""
    return f"{name}_{tier}"


# Audit of planted rows.
DAY, DAY_UTC, DIRECTION_DEG, SHARE, SAID = "day", "day_utc", "direction_deg", "share", "said"
VALUE_M, SE_M, LOW_M, HIGH_M = "value_m", "se_m", "low_m", "high_m"
PROMISED_95_M, PROBABILITY_WITHIN = "promised_95_m", "probability_within"
PASSES, SAMPLES = "passes", "samples"
AUDIT = [
    FIELD_ID, FARM, TIER, DAY, DAY_UTC, PART, DIRECTION_DEG, VALUE_M, SE_M, LOW_M, HIGH_M, SHARE, PROMISED_95_M,
    PROBABILITY_WITHIN, PASSES, SAMPLES, SAID,
]  # fmt: skip

# Places in degrees.
LONGITUDE, LATITUDE = "longitude", "latitude"
PLACES = {LONGITUDE, LATITUDE}
# Why a feature was not used, or an option is not the one; where a feature is.
REASON, FILE, LAYER, FEATURE = "reason", "file", "layer", "feature"

# Losses of a field, in the unit of the curve on a square metre, and the choice of a tier.
JUDGED_M, LOSS, LOSS_OWN, BEYOND_M = "judged_m", "loss_m2", "loss_own_strip_m2", "beyond_measured_m"
LOSS_BEYOND, LOSS_LEVELS, MISSED_LEVELS = "loss_beyond_measured_m2", "loss_levels_m2", "missed_levels_m"
LOSSES = [
    FIELD_ID, FARM, TIER, AREA_M2, REACH, BASELINE_M, JUDGED_M, EXPECTED_MISS_M, LOSS, LOSS_OWN, BEYOND_M, LOSS_BEYOND,
    LOSS_LEVELS, MISSED_LEVELS,
]  # fmt: skip

# The choice of a tier. Money is a year's, in the currency of its line.
LEVEL, OPTION, CURRENCY = "level", "option", "currency"
LOSS_MONEY, LOSS_P10_MONEY, LOSS_P90_MONEY = "loss_money", "loss_p10_money", "loss_p90_money"
LOSS_OWN_MONEY, WAITING_MONEY = "loss_own_strip_money", "waiting_money"
FEE_MONEY, ONCE_MONEY, TOTAL_MONEY = "fee_money", "once_money", "total_money"
STANDARD_SHARE, MEETS, DOMINATED, RECOMMENDED = "miss_share_at_standard", "meets_standard", "dominated_by", "recommended"
BREAK_EVEN_HA, BREAK_EVEN_AGAINST = "break_even_ha", "break_even_against"
BEYOND_SHARE, LOSS_BEYOND_SHARE = "beyond_measured_share", "loss_beyond_measured_share"
CHOICE = [
    LEVEL, FARM, FIELD_ID, OPTION, CURRENCY, AREA_M2, JUDGED_M, EXPECTED_MISS_M, EXPECTED_MISS_SHARE, STANDARD_SHARE,
    LOSS_MONEY, LOSS_P10_MONEY, LOSS_P90_MONEY, FEE_MONEY, ONCE_MONEY, WAITING_MONEY, TOTAL_MONEY, REACH, MEETS, DOMINATED,
    RECOMMENDED, REASON, BREAK_EVEN_HA, BREAK_EVEN_AGAINST, LOSS_OWN_MONEY, BEYOND_SHARE, LOSS_BEYOND_SHARE, SAID,
]  # fmt: skip
QUANTITY, QUANTITY_UNIT, UNIT_PRICE_MONEY, AMOUNT_MONEY = "quantity", "quantity_unit", "unit_price_money", "amount_money"
CHOICE_PARTS = [
    LEVEL, FARM, FIELD_ID, OPTION, PART, QUANTITY, QUANTITY_UNIT, UNIT_PRICE_MONEY, AMOUNT_MONEY, CURRENCY,
]  # fmt: skip
DRIVER, PRICE_MONEY, PRICE_UNIT = "driver", "price_money", "price_unit"
FLIPS = {side: [f"flips_{side}_{what}" for what in ("factor", "money", "to")] for side in ("below", "above")}
MARGINS_MONEY = ["margin_half_money", "margin_now_money", "margin_half_more_money"]
CHOICE_FLIPS = [
    FARM, FIELD_ID, OPTION, DRIVER, TIER, PRICE_MONEY, PRICE_UNIT, *FLIPS["below"], *FLIPS["above"], *MARGINS_MONEY,
    CURRENCY,
]  # fmt: skip

# Columns that count: whole numbers in the tables, or nothing.
COUNTS = {
    PASS, UNIT, ROW, ROW_COUNT, ROWS_MISSED, CHECKED_ROWS_MISSED, CHECK_COUNT, WAIT_MIN, PASSES, SAMPLES,
}  # fmt: skip

# What changed between two runs.
WHAT, NAME, BEFORE, AFTER, DIFFERENCE = "what", "name", "before", "after", "difference"
CHANGES = [WHAT, FIELD_ID, TIER, NAME, BEFORE, AFTER, DIFFERENCE]

# Classes in the order of their codes in the vector layers; the raster adds one, 0 being a cell without a row.
CLASSES = ["holds", "doubt", "misses", "no_strip", "crossing"]
