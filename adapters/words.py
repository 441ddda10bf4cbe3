"""The core's names in plain words. One table for each kind of name; nothing else translates."""

RULES = {
    "owner_stop": "stopped by the owner",
    "unheard": "a silent pack, still connected",
    "refuses_but_connected": "a pack refuses, and is connected",
    "local_refusal": "a pack of this board refuses",
    "current_unknown": "a pack's current is unknown",
    "no_path": "no pack can take part",
    "reenable_dwell": "waiting after a stop",
    "contributions": "what the packs may carry together",
    "headroom": "room left in the tightest pack",
    "pack_loss": "what the rest could carry if one opened",
    "bank_ceiling": "the installer's ceiling",
    "owner_cap": "the owner's wish",
    "owner_soc": "the owner's charge window",
    "late_no_rise": "held: a late reading",
    "settling_no_rise": "held: settling after too much",
    "path_no_rise": "held: a path just moved",
    "ramp": "rising slowly",
    "own_limit": "a pack's own limit",
    "ceiling": "the installer's bound",
    "limp": "a silent pack, still connected",
    "extreme_cell": "room left for the extreme cell",
    "stage_target": "target of the stage",
    "owner_voltage_cap": "the owner's wish",
    "voltage_late_no_rise": "held: a late reading",
    "voltage_ramp": "rising slowly",
}

PRESENCE = {
    "live": "here",
    "late": "late",
    "unheard": "silent, still connected",
    "removed": "taken out",
}

SILENCE = {
    "never heard": "never heard",
    "silent": "no readings",
    "readings frozen": "its readings stand still",
    "readings frozen, then late": "its readings stood still, then stopped",
    "declared removed": "declared removed by the owner",
}

REASONS = {
    "path_open": "its path is open",
    "refuses": "it refuses",
    "withheld": "left out by the owner",
    "limit_unknown": "it does not say its limit",
    "temperature": "too cold, too hot, or unknown",
    "cell": "its extreme cell has arrived",
    "own_limit_zero": "its own limit is nothing",
}

LIMITS = {
    "charge_current": "charge current",
    "discharge_current": "discharge current",
    "charge_voltage": "charge voltage",
    "discharge_voltage": "discharge voltage",
}

STAGES = {
    "bulk": "bulk",
    "absorption": "absorption",
    "float": "float",
    "paused": "paused",
}

TRANSITIONS = {
    "charging_denied": "charging is stopped",
    "charging_allowed_again": "charging may go on",
    "target_held": "the target is held",
    "cell_arrived": "a cell has arrived",
    "absorption_longest": "the longest time is over",
    "absorption_served": "its time is served",
    "tails_small": "every pack is full",
    "dip_ended_cycle": "the voltage was down too long",
    "owner_asked": "the owner asked",
    "restart_time": "time for a new charge",
    "restart_charge_low": "charge is low",
    "restart_voltage_low": "voltage is low",
    "restart_night": "the night has passed",
}

FINDINGS = {
    "pack_loss_overloads_rest": "if one pack opened now, the others could not carry the current",
    "charger_ignores_limit": "a charger does not follow the limit",
    "load_above_limit": "loads draw more than the bank may give: shed load",
    "cell_blocks_absorption": "one high cell arrives before the bank does: it needs balancing time",
    "headroom_stalls": "loads use up the room: do the chargers limit their own output?",
    "share_implausible": "currents do not add up: check each sensor's sign and scale",
    "shares_not_learned": "how the packs share is not known yet",
    "pack_over_own_limit": "carries more than its own limit",
    "current_into_refusing_pack": "refuses, and current flows all the same",
    "idle_circulation_above_limit": "other packs drive too much current through it",
    "readings_frozen": "its readings stand still",
    "refusal_path_unknown": "refuses without saying whether its path opened: the bank must stop",
    "soc_disagrees_with_full": "is full, but its counter says it is not",
}


def why_ignored(why: str) -> str:
    """Return the words for a row's `why_ignored`: a silence, or "direction: reason"."""
    direction, mark, reason = why.partition(": ")
    if mark:
        return f"{direction}: {REASONS[reason]}"
    return SILENCE[why]


def duration(ms: int) -> str:
    """Return a duration in the two largest fitting units."""
    seconds = ms // 1_000
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3_600:
        return f"{seconds // 60} min {seconds % 60:02d} s"
    return f"{seconds // 3_600} h {seconds % 3_600 // 60:02d} min"


def counted(count: int, noun: str) -> str:
    """Return a number of things: 1 pack, 4 packs, 5 stories."""
    if count == 1:
        return f"{count} {noun}"
    return f"{count} {noun[:-1]}ies" if noun.endswith("ry") else f"{count} {noun}s"


def clock(seconds: float) -> str:
    """Return a time of day."""
    minutes = int(seconds // 60)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


def clock_s(seconds: int) -> str:
    """Return a time to the second; hours do not start over, as a log may be longer than a day."""
    return f"{seconds // 3_600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
