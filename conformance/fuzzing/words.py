"""What the fuzzer lets packs, owners and broken links say. All numbers are invented.

Values lie where rules bend: at limits and just beside them, at the ends of curves, unknown.
"""

from hypothesis import strategies as st

from conformance.oracle import Plain

NAMES = ("ash", "elm", "fir", "oak")

HEALTHY: Plain = {
    "voltage_mv": 53_000,
    "current_ma": 0,
    "cell_min_mv": 3_310,
    "cell_max_mv": 3_315,
    "temperature_min_decic": 200,
    "temperature_max_decic": 220,
    "soc_permille": 500,
    "soh_permille": 980,
    "charge_allowed": True,
    "discharge_allowed": True,
    "charge_path_closed": True,
    "discharge_path_closed": True,
    "charge_voltage_limit_mv": 57_600,
    "discharge_voltage_limit_mv": 44_000,
    "charge_current_limit_ma": 100_000,
    "discharge_current_limit_ma": 100_000,
}

_LIMITS_MA = (0, 1, 999, 33_333, 50_000, 99_999, 150_000, None)
_CURRENTS_MA = (-99_000, -40_001, -1_500, 0, 1_000, 33_333, 60_000, 99_000, 120_000, None)
_FLAGS = (True, False, None)
_ALARMS: tuple[list[str] | None, ...] = (
    [],
    ["cell_imbalance"],
    ["charge_under_temperature", "other"],
    None,
)

# What a pack may come to say: one row of fields at a time, so that they agree with each other.
CHANGES: tuple[tuple[Plain, ...], ...] = (
    tuple({"charge_current_limit_ma": value} for value in _LIMITS_MA),
    tuple({"discharge_current_limit_ma": value} for value in _LIMITS_MA),
    tuple({"current_ma": value} for value in _CURRENTS_MA),
    tuple(
        {"voltage_mv": value} for value in (46_000, 49_999, 53_001, 54_000, 55_100, 55_200, None)
    ),
    tuple(
        {"cell_min_mv": low, "cell_max_mv": high, "cells_mv": None}
        for low, high in (
            *((3_310, 3_315), (3_300, 3_467), (3_300, 3_501), (3_300, 3_545), (3_300, 3_560)),
            *((2_801, 3_315), (2_690, 3_315), (None, 3_315), (3_310, None), (None, None)),
        )
    ),
    ({"cells_mv": [3_300, 3_320] * 8, "cell_min_mv": None, "cell_max_mv": None},),
    tuple(
        {"temperature_min_decic": low, "temperature_max_decic": high}
        for low, high in (
            *((200, 220), (-20, 220), (77, 220), (0, 220), (-111, 30), (None, 220), (None, None)),
            *((200, 517), (200, 549), (200, 575), (200, 610), (-300, 300)),
        )
    ),
    tuple({"soh_permille": value} for value in (900, 980, None)),
    tuple({"soc_permille": value} for value in (0, 99, 900, 999, 1_000, None)),
    tuple({"capacity_mah": value} for value in (100_000, 314_159, None)),
    tuple({"charge_allowed": value} for value in _FLAGS),
    tuple({"discharge_allowed": value} for value in _FLAGS),
    tuple({"charge_path_closed": value} for value in _FLAGS),
    tuple({"discharge_path_closed": value} for value in _FLAGS),
    tuple({"charge_allowed": False, "charge_path_closed": value} for value in _FLAGS),
    tuple({"discharge_allowed": False, "discharge_path_closed": value} for value in _FLAGS),
    tuple({"charge_voltage_limit_mv": value} for value in (57_600, 53_500, 52_800, 50_000, None)),
    tuple({"discharge_voltage_limit_mv": value} for value in (44_000, 51_500, 53_000, None)),
    tuple({"warnings": value} for value in _ALARMS),
    tuple({"protections": value} for value in _ALARMS),
)

# What no report may say: a broken link, a sentinel, another unit.
IMPOSSIBLE: tuple[Plain, ...] = (
    {"charge_current_limit_ma": 6_553_500},
    {"charge_current_limit_ma": -1},
    {"discharge_current_limit_ma": 1_000_001},
    {"current_ma": 2_147_483_647},
    {"current_ma": -1_000_001},
    {"voltage_mv": -1},
    {"voltage_mv": 655_350},
    {"soc_permille": 1_001},
    {"cell_max_mv": 65_535},
    {"cell_min_mv": 3_400, "cell_max_mv": 3_300},
    {"temperature_min_decic": 2_931},
    {"temperature_min_decic": -2_730},
    {"temperature_min_decic": 300, "temperature_max_decic": 200},
    {"charge_current_limit_ma": "100000"},
    {"charge_current_limit_ma": True},
    {"charge_current_limit_ma": 99_999.5},
    {"charge_current_limit_ma": [100_000]},
    {"charge_allowed": 1},
    {"charge_path_closed": "yes"},
    {"sample": -1},
    {"sample": 65_536},
    {"sample": None},
    {"age_ms": -1},
    {"cell_count": 15},
    {"cells_mv": []},
    {"cells_mv": [3_300] * 15},
    {"cells_mv": [3_300] * 15 + [3_400], "cell_min_mv": None, "cell_max_mv": 3_350},
    {"protections": ["nonsense"]},
    {"warnings": "other"},
    {"pack": "nobody"},
    {"pack": None},
    {"charge_current_limit_mA": 100_000},
)

JUNK: tuple[Plain, ...] = (
    {"op": "explode"},
    {"op": None},
    {"op": 7},
    {"op": "why", "limit": "nonsense"},
    {"op": "why", "limit": None},
    {"op": "request", "kind": "cap_charge_current", "value": -1},
    {"op": "request", "kind": "cap_charge_current"},
    {"op": "request", "kind": "cap_charge_current", "value": "9"},
    {"op": "request", "kind": "stop_charge", "lasts_ms": 1_000},
    {"op": "request", "kind": "withhold_pack", "pack": "nobody"},
    {"op": "request", "kind": "open_everything"},
    {"op": "request", "kind": ["stop_charge"]},
    {"op": "request", "kind": "cap_charge_current", "value": 1_000_000_000},
    {"op": "request", "kind": "cap_charge_current", "value": 0.5},
    {"op": "request", "kind": "cap_charge_current", "value": 1, "lasts_ms": 0},
    {"op": "request", "kind": "cap_charge_current", "value": 1, "strictly": True},
    {"op": "request", "kind": "cap_charge_current", "value": 1, "source": "a name" * 50},
    {"op": "request", "kind": "stop_charge", "value": 0},
    {"op": "request", "kind": "clear", "field": "stop_charge", "source": "nobody"},
    {"op": "hello", "kit": 1},
    {"op": "step", "t": "soon"},
    {"op": "request", "kind": "adjust_stage", "field": "absorption_mv", "value": 119_000},
    {"op": "request"},
    {"op": "restore", "state": None},
    {"op": "restore", "state": {"version": "nonsense"}},
    {"op": "bus", "sample": 1, "current_ma": 64_000_000},
)


# Settings that cannot be right, in place of right ones.
WRONG_SETTINGS: tuple[Plain, ...] = (
    {"frehs_ms": 3_000},
    {"packs": []},
    {"packs": "oak"},
    {"packs": [{"pack": "oak"}, {"pack": "oak"}], "own_packs": []},
    {"packs": [{"pack": f"p{number}"} for number in range(65)], "own_packs": []},
    {"packs": [{"pack": "Oak & Ash"}], "own_packs": []},
    {"packs": [{"pack": "oak", "charge_cell_curve": [[3_500, 0], [3_400, 0]]}], "own_packs": []},
    {"charge_current_ceiling_ma": -1},
    {"charge_current_ceiling_ma": "50 A"},
    {"fresh_ms": 60_000, "unheard_ms": 30_000},
    {"discharge_voltage_floor_mv": 56_000, "charge_voltage_ceiling_mv": 50_000},
    {"stages": {"absorption_mv": 54_000, "float_mv": 55_000}},
    {"stages": 5},
)


def changes() -> st.SearchStrategy[Plain]:
    """Return what a pack may come to say."""
    return st.sampled_from(CHANGES).flatmap(st.sampled_from)


def refusals() -> st.SearchStrategy[Plain]:
    """Return what a pack says of one direction: permission, and whether its path is closed."""
    sides = st.sampled_from(["charge", "discharge"])
    told = st.tuples(sides, st.sampled_from([False, False, True]), st.sampled_from(_FLAGS))
    return told.map(lambda one: {f"{one[0]}_allowed": one[1], f"{one[0]}_path_closed": one[2]})


def currents() -> st.SearchStrategy[list[int]]:
    """Return a current for each pack, all of them this way or that, or against each other [mA]."""
    amperes = st.integers(-99, 99).map(lambda ampere: 1_000 * ampere + 1)
    return st.lists(amperes, min_size=len(NAMES), max_size=len(NAMES))


def openings() -> st.SearchStrategy[list[list[Plain]]]:
    """Return what each pack says from the start that a healthy one does not; often nothing."""
    changed = st.lists(st.lists(changes(), max_size=2), min_size=len(NAMES), max_size=len(NAMES))
    return st.one_of(st.just([]), changed)


def wishes() -> st.SearchStrategy[Plain]:
    """Return what the owner may ask of the bank (a pack is added where one is needed)."""
    lasts = st.sampled_from([None, 1_000, 7_000, 20_000])
    valued = [
        ("cap_charge_current", (0, 1, 25_000, 60_000)),
        ("cap_discharge_current", (0, 25_000, 60_000)),
        ("cap_charge_voltage", (52_000, 54_000)),
        ("top_soc_permille", (400, 900)),
        ("reserve_soc_permille", (600, 100)),
        ("full_charge_every_days", (7,)),
    ]
    rows = [
        st.fixed_dictionaries(
            {"kind": st.just(kind), "value": st.sampled_from(values), "lasts_ms": lasts}
        )
        for kind, values in valued
    ]
    rows.append(st.fixed_dictionaries({"kind": st.just("withhold_pack"), "lasts_ms": lasts}))
    rows.extend(st.just({"kind": kind}) for kind in ("stop_charge", "stop_discharge"))
    return st.one_of(rows)


# Settings of a bank: times are short, so that much happens in a short story. A value that stands
# twice is drawn more often.
PACK_CHOICES: dict[str, tuple[object, ...]] = {
    "capacity_mah": (200_000, None, 100_000),
    "charge_current_ceiling_ma": (None, None, 80_000),
    "discharge_current_ceiling_ma": (None, None, 80_000),
    "unheard_charge_current_ma": (0, 0, 20_000),
    "unheard_discharge_current_ma": (0, 0, 20_000),
    "opens_path_on_refusal": (False, True),
    "sensor_tolerance_permille": (0, 0, 15),
    "sensor_tolerance_ma": (0, 0, 2_000),
    "cell_ceiling_mv": (3_550, 3_550, 3_480),
}
STAGE_CHOICES: dict[str, tuple[object, ...]] = {
    "dwell_ms": (3_000, 10_000),
    "absorption_ms": (20_000, 40_000),
    "absorption_max_ms": (60_000, 90_000),
    "absorption_min_ms": (5_000,),
    "absorption_mode": ("timer", "until_full"),
    "dip_ends_cycle_ms": (10_000, 30_000),
    "restart_after_ms": (60_000, None),
    "restart_below_mv": (None, 53_500),
    "restart_min_interval_ms": (120_000, 0),
    "adjustable": ([], [["absorption_ms", 10_000, 30_000]]),
}
BANK_CHOICES: dict[str, tuple[object, ...]] = {
    "margin_permille": (0, 30),
    "fresh_ms": (3_000, 6_000),
    "unheard_ms": (9_000, 15_000),
    "recovery_samples": (3, 2),
    "frozen_ms": (300_000, 10_000),
    "ramp_permille_per_s": (1_000, 50, 200),
    "settle_ms": (5_000, 0, 15_000),
    "path_settle_ms": (6_000, 0, 30_000),
    "reenable_ms": (5_000, 0),
    "local_refusal_stops_bank": (False, False, True),
    "charge_current_ceiling_ma": (None, None, 70_000),
    "discharge_current_ceiling_ma": (None, None, 70_000),
    "charge_voltage_ceiling_mv": (None, None, 54_500),
    "discharge_voltage_floor_mv": (None, None, 51_500),
}


def _chosen(choices: dict[str, tuple[object, ...]]) -> st.SearchStrategy[Plain]:
    return st.fixed_dictionaries(
        {name: st.sampled_from(values) for name, values in choices.items()}
    )


@st.composite
def settings(draw: st.DrawFn, most_packs: int = 4) -> Plain:
    """Return settings of a bank of up to `most_packs`."""
    names = NAMES[: draw(st.integers(1, most_packs))]
    packs = [{"pack": name, **draw(_chosen(PACK_CHOICES))} for name in names]
    bank = draw(_chosen(BANK_CHOICES))
    own = [names[0]] if bank["local_refusal_stops_bank"] else []
    return {"packs": packs, "own_packs": own, "stages": draw(_chosen(STAGE_CHOICES)), **bank}
