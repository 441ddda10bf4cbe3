"""Shared hypothesis strategies: banks, reports, requests, whole streams of events, any JSON value.

Settings are plain dicts and events are requests of the driver protocol ({"op", "t", ...}), so
that a test can permute, repeat, shift and spoil them before `play` runs them.
"""

from __future__ import annotations

from hypothesis import strategies as st

from aggregator import Aggregator, Refusal
from aggregator.plain import bus_from, report_from, request_from, settings_from, view_to_plain

NAMES = ("ash", "elm", "fir", "oak")

# What an untroubled pack says. Streams say how packs depart from it.
BASE = {
    "voltage_mv": 52_800,
    "current_ma": 5_000,
    "cell_min_mv": 3_290,
    "cell_max_mv": 3_310,
    "temperature_min_decic": 200,
    "temperature_max_decic": 250,
    "soc_permille": 500,
    "capacity_mah": 100_000,
    "charge_allowed": True,
    "discharge_allowed": True,
    "charge_path_closed": True,
    "discharge_path_closed": True,
    "charge_voltage_limit_mv": 56_800,
    "discharge_voltage_limit_mv": 44_800,
    "charge_current_limit_ma": 100_000,
    "discharge_current_limit_ma": 120_000,
}
ORDERED = (("cell_min_mv", "cell_max_mv"), ("temperature_min_decic", "temperature_max_decic"))


def or_unknown(values: st.SearchStrategy) -> st.SearchStrategy:
    """Mostly a value, sometimes None."""
    return st.one_of(values, values, values, st.none())


TRI_STATE = st.sampled_from([True, False, None])
FIELD_VALUES = {
    "voltage_mv": or_unknown(st.integers(47_000, 57_600)),
    "current_ma": or_unknown(st.integers(-130_000, 130_000)),
    "cell_min_mv": or_unknown(st.integers(2_600, 3_300)),
    "cell_max_mv": or_unknown(st.integers(3_300, 3_650)),
    "temperature_min_decic": or_unknown(st.integers(-250, 200)),
    "temperature_max_decic": or_unknown(st.integers(200, 650)),
    "soc_permille": or_unknown(st.integers(0, 1_000)),
    "capacity_mah": or_unknown(st.integers(20_000, 300_000)),
    "charge_allowed": TRI_STATE,
    "discharge_allowed": TRI_STATE,
    "charge_path_closed": TRI_STATE,
    "discharge_path_closed": TRI_STATE,
    "charge_voltage_limit_mv": or_unknown(st.integers(50_000, 58_400)),
    "discharge_voltage_limit_mv": or_unknown(st.integers(40_000, 50_000)),
    "charge_current_limit_ma": or_unknown(st.integers(0, 150_000)),
    "discharge_current_limit_ma": or_unknown(st.integers(0, 150_000)),
}
departures = st.lists(
    st.one_of([st.tuples(st.just(name), values) for name, values in FIELD_VALUES.items()]),
    max_size=4,
).map(dict)


def content(changes: dict) -> dict:
    """BASE with some fields changed, put in order so that it is a possible report."""
    fields = {**BASE, **changes}
    for lower, upper in ORDERED:
        low, high = fields[lower], fields[upper]
        if low is not None and high is not None and low > high:
            fields[lower] = high
    return fields


def optional(**choices: st.SearchStrategy) -> st.SearchStrategy:
    """Dicts with any of these keys."""
    return st.fixed_dictionaries({}, optional=choices)


pack_options = optional(
    capacity_mah=st.integers(20_000, 300_000),
    charge_current_ceiling_ma=st.integers(0, 150_000),
    discharge_current_ceiling_ma=st.integers(0, 150_000),
    unheard_charge_current_ma=st.sampled_from([0, 10_000, 1_000_000]),
    unheard_discharge_current_ma=st.sampled_from([0, 10_000, 1_000_000]),
    opens_path_on_refusal=st.booleans(),
    sensor_tolerance_permille=st.integers(0, 100),
    sensor_tolerance_ma=st.integers(0, 3_000),
    temperature_hysteresis_decic=st.sampled_from([0, 20, 100]),
    charge_cell_curve=st.just([]),
    charge_temperature_curve=st.just([]),
)
stage_options = optional(
    absorption_mode=st.sampled_from(["timer", "until_full"]),
    absorption_ms=st.sampled_from([0, 20_000, 1_800_000]),
    absorption_min_ms=st.sampled_from([0, 10_000]),
    absorption_max_ms=st.sampled_from([60_000, 14_400_000]),
    dwell_ms=st.sampled_from([0, 3_000, 10_000]),
    dip_ends_cycle_ms=st.sampled_from([0, 20_000, 600_000]),
    restart_after_ms=st.sampled_from([60_000, None]),
    restart_below_soc_permille=st.sampled_from([None, 400]),
    restart_below_mv=st.sampled_from([None, 52_000]),
    restart_min_interval_ms=st.sampled_from([0, 60_000]),
).map(lambda options: {"absorption_min_ms": 0, **options})
bank_options = optional(
    charge_current_ceiling_ma=st.integers(0, 400_000),
    discharge_current_ceiling_ma=st.integers(0, 400_000),
    charge_voltage_ceiling_mv=st.integers(54_000, 57_600),
    discharge_voltage_floor_mv=st.integers(42_000, 48_000),
    unheard_ms=st.sampled_from([12_000, 30_000]),
    recovery_samples=st.sampled_from([1, 3]),
    frozen_ms=st.sampled_from([10_000, 300_000]),
    margin_permille=st.sampled_from([0, 30]),
    ramp_permille_per_s=st.sampled_from([1, 7, 50, 1_000]),
    reenable_ms=st.sampled_from([0, 5_000, 20_000]),
    settle_ms=st.sampled_from([0, 15_000]),
    path_settle_ms=st.sampled_from([0, 30_000]),
    coherent_permille=st.sampled_from([0, 30, 200]),
    quiet_permille=st.sampled_from([0, 50, 200]),
    charge_sharing=st.sampled_from(["worst_case", "learned"]),
    discharge_sharing=st.sampled_from(["worst_case", "learned"]),
    charger_limits=st.sampled_from(["battery", "output"]),
    survive_pack_loss=st.sampled_from(["off", "strict"]),
    local_refusal_stops_bank=st.booleans(),
    stages=stage_options,
)


@st.composite
def banks(draw: st.DrawFn, least: int = 1, most: int = 4) -> dict:
    """Settings of a bank, as plain JSON."""
    names = NAMES[: draw(st.integers(least, most))]
    settings = dict(draw(bank_options))
    settings["packs"] = [{"pack": name, **draw(pack_options)} for name in names]
    settings["own_packs"] = [name for name in names if draw(st.booleans())]
    return settings


def names_of(settings: dict) -> list[str]:
    return [pack["pack"] for pack in settings["packs"]]


@st.composite
def wishes(draw: st.DrawFn, names: list[str]) -> dict:
    """One wish, as the fields of a request."""
    kind, values = draw(
        st.sampled_from(
            [
                ("withhold_pack", None),
                ("cap_charge_current", st.integers(0, 200_000)),
                ("cap_discharge_current", st.integers(0, 200_000)),
                ("cap_charge_voltage", st.integers(50_000, 57_600)),
                ("stop_charge", None),
                ("stop_discharge", None),
                ("top_soc_permille", st.integers(0, 1_000)),
                ("reserve_soc_permille", st.integers(0, 1_000)),
            ]
        )
    )
    wish: dict = {"kind": kind, "source": draw(st.sampled_from(["", "phone", "timer"]))}
    if kind == "withhold_pack":
        wish["pack"] = draw(st.sampled_from(names))
    if values is not None:
        wish["value"] = draw(values)
    if not kind.startswith("stop"):
        wish["lasts_ms"] = draw(st.one_of(st.none(), st.integers(1, 60_000)))
    return wish


@st.composite
def orders(draw: st.DrawFn, names: list[str]) -> dict:
    """One command or declaration, as the fields of a request."""
    kind = draw(
        st.sampled_from(["declare_removed", "declare_returned", "restore_pack", "start_bulk"])
    )
    return (
        {"kind": kind}
        if kind == "start_bulk"
        else {
            "kind": kind,
            "pack": draw(st.sampled_from(names)),
        }
    )


@st.composite
def scripts(
    draw: st.DrawFn,
    names: list[str],
    asks: st.SearchStrategy | None = None,
    silence: bool = True,
    phases: int = 6,
    longest: int = 25,
) -> list[tuple]:
    """What happens in a run, told briefly: phases of (steps, ms between them, what packs begin to
    say, what the owner asks at its start). See `events`."""
    script: list[tuple] = []
    steps = 40  # the first phase is long enough to open the limits
    for number in range(draw(st.integers(1, phases))):
        dt_ms = draw(st.sampled_from([1_000, 1_000, 333, 4_000]))
        news = {}
        for name in draw(st.lists(st.sampled_from(names), max_size=2, unique=True)):
            hush = silence and draw(st.booleans()) and draw(st.booleans())
            news[name] = None if hush else draw(departures)
        asked = draw(st.lists(asks, max_size=1)) if asks is not None and number else []
        script.append((steps, dt_ms, news, asked))
        steps = draw(st.integers(1, longest))
    return script


starts = st.sampled_from([0, 7, (1 << 30) - 20_000])


def events(script: list[tuple], names: list[str], start_ms: int = 0) -> list[dict]:
    """The events of a script, as requests of the driver protocol. In each step every pack says its
    one thing (BASE with the changes told last) under a new sample number, unless it is hushed."""
    made: list[dict] = []
    saying = dict.fromkeys(names, BASE)
    sample = 0
    now_ms = start_ms
    for steps, dt_ms, news, asked in script:
        for name, changes in news.items():
            saying[name] = None if changes is None else content(changes)
        made.extend([{"op": "request", "t": now_ms, **ask} for ask in asked])
        for _ in range(steps):
            sample = (sample + 1) & 0xFFFF
            for name in names:
                if saying[name] is not None:
                    made.append(
                        {
                            "op": "report",
                            "t": now_ms,
                            "pack": name,
                            "sample": sample,
                            **saying[name],
                        }
                    )
            now_ms += dt_ms
            made.append({"op": "step", "t": now_ms})
    return made


def give(bank: Aggregator, event: dict) -> Refusal | None:
    """Hand one event other than a step to the bank."""
    fields = {key: value for key, value in event.items() if key not in ("op", "t")}
    make, take = {
        "report": (report_from, bank.accept),
        "bus": (bus_from, bank.bus),
        "request": (request_from, bank.request),
    }[event["op"]]
    made = make(fields)
    return made if isinstance(made, Refusal) else take(made, event["t"])


def open_bank(settings: dict) -> Aggregator:
    return Aggregator(settings_from(settings))


def play(settings: dict, events: list[dict]) -> list[dict]:
    """Run the events on a new bank; return the plain view after each step."""
    bank = open_bank(settings)
    views = []
    for event in events:
        if event["op"] == "step":
            views.append(view_to_plain(bank.step(event["t"])))
        else:
            give(bank, event)
    return views


# Anything a JSON parser can return, integers of every size and non-finite numbers included.
json_scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 70_000),
    st.integers(-(1 << 70), 1 << 70),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["", "ash", "a" * 17, "Ash", "\ud800", "charge_current", "bulk"]),
)
json_values = st.recursive(
    json_scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)
