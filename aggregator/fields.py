"""What the view and its pack rows hold: the tables behind view.py, for JSON and the reference page.

Not imported by the core itself, like plain.py: a board that needs no JSON need not copy it.
"""

# Whole-bank numbers, each with its unit in its name; the comment is the documentation.
VIEW_FIELDS = (
    "voltage_mv",  # mean of live packs
    "voltage_min_mv",  # lowest of live packs
    "voltage_max_mv",  # highest of live packs
    # sum over live and late packs, positive: charging; if one does not say, what a bus meter says
    "current_ma",
    "power_w",  # voltage times current, rounded down
    "soc_permille",  # weighted by present capacity over live and late packs, rounded down
    "soc_min_permille",  # lowest
    "soc_max_permille",  # highest
    "soh_permille",  # lowest of live and late packs
    "capacity_mah",  # present full capacity, summed over live and late packs
    "remaining_mah",  # charge left in them
    "cell_min_mv",  # lowest cell of all packs that are not removed
    "cell_max_mv",  # highest cell of all packs that are not removed
    "cell_min_pack",  # the pack it is in
    "cell_max_pack",
    "cell_min_no",  # its number there
    "cell_max_no",
    "temperature_min_decic",  # coldest sensor, 0.1 °C
    "temperature_max_decic",  # hottest sensor, 0.1 °C
    "temperature_min_pack",
    "temperature_max_pack",
    "warnings",  # union over all packs that are not removed
    "protections",
    "partial",  # true: a pack is late or unheard, or does not report its charge or capacity
    "charge_allowed",  # false exactly when the charge current limit is 0
    "discharge_allowed",  # false exactly when the discharge current limit is 0
    "charge_voltage_limit_mv",  # chargers: not above
    "discharge_voltage_limit_mv",  # loads: not below
    "charge_current_limit_ma",  # total into all packs
    "discharge_current_limit_ma",  # total out of all packs, a magnitude
    "charge_voltage_rule",  # the rule that binds, and the pack it speaks of
    "charge_voltage_pack",
    "discharge_voltage_rule",
    "discharge_voltage_pack",
    "charge_current_rule",
    "charge_current_pack",
    "discharge_current_rule",
    "discharge_current_pack",
    "stage",  # bulk, absorption, float or paused
    "stage_elapsed_ms",  # since the stage was entered (paused: since it was paused)
    "stage_ends",  # the transition that comes next, if its time is known
    "stage_ends_ms",  # time until then
    "role",  # alone: one board hears all packs
    "may_speak",  # display only; adapters ask `may_speak(now_ms)` before each frame
    "rejected",  # reports, requests and states refused since the start
    "last_refusal",  # the latest of them, in words
)

ROW_FIELDS = (
    "pack",  # its name
    "presence",  # live, late, unheard or removed
    "charge_contribution_ma",  # what it adds to the charge limit's sum
    "discharge_contribution_ma",
    "share_permille",  # its learned share of extra current
    "why_ignored",  # why it is not live, or adds nothing
)
