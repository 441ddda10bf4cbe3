"""Limits fall at once and rise slowly; a permission waits; wishes only narrow."""

from hypothesis import assume, given
from hypothesis import strategies as st

from aggregator.plain import view_to_plain
from tests.strategies import (
    banks,
    content,
    events,
    give,
    names_of,
    open_bank,
    orders,
    play,
    scripts,
    wishes,
)

SIDES = ("charge", "discharge")
DENIALS = (
    "owner_stop",
    "unheard",
    "refuses_but_connected",
    "local_refusal",
    "current_unknown",
    "no_path",
)


@st.composite
def runs(draw):
    settings = draw(banks())
    names = names_of(settings)
    return settings, draw(scripts(names, st.one_of(wishes(names), orders(names))))


@given(runs())
def test_rises_follow_the_ramp(run):
    """In one step a current limit rises by no more than ramp_permille_per_s of the summed pack
    ceilings (where there are none: of the packs' own limits), for at most one nominal step; a
    voltage limit by no more than its ramp. (One unit more may be carried over from before.)"""
    settings, script = run
    names = names_of(settings)
    ceilings = {pack["pack"]: pack for pack in settings["packs"]}
    permille = settings.get("ramp_permille_per_s", 50)
    bank = open_bank(settings)
    last, previous, before_ms = {}, None, None
    for event in events(script, names):
        if event["op"] != "step":
            give(bank, event)
            if event["op"] == "report":
                last[event["pack"]] = event
            continue
        view = view_to_plain(bank.step(event["t"]))
        if previous is not None:
            ms = min(event["t"] - before_ms, 1_000)
            for side in SIDES:
                field = side + "_current_limit_ma"
                whole = 0
                for name in names:
                    own = last.get(name, {}).get(field) or 0
                    whole += ceilings[name].get(side + "_current_ceiling_ma", own)
                most = previous[field] + whole * permille * ms // 1_000_000 + 1
                assert view[field] <= most, (side, event["t"])
            assert view["charge_voltage_limit_mv"] <= (
                previous["charge_voltage_limit_mv"] + 100 * ms // 1_000 + 1
            )
            assert view["discharge_voltage_limit_mv"] >= (
                previous["discharge_voltage_limit_mv"] - 100 * ms // 1_000 - 1
            )
        previous, before_ms = view, event["t"]


@given(runs(), st.data())
def test_falls_are_immediate(run, data):
    """In the very step after a pack lowers its own limit, with all packs at rest: no current limit
    is above what the pack may get of it (all; or, where the assumed ratio of resistances counts,
    1 / (1 + (n - 1) / ratio)), and no voltage limit is beyond the pack's own."""
    settings, script = run
    names = names_of(settings)
    bank = open_bank(settings)
    rest = [
        (steps, dt_ms, {name: {"current_ma": 0} for name in names}, [])
        for steps, dt_ms, _, _ in script
    ]
    happenings = events(rest, names)
    for event in happenings:
        bank.step(event["t"]) if event["op"] == "step" else give(bank, event)
    name = data.draw(st.sampled_from(names))
    lower = {
        "charge_current_limit_ma": data.draw(st.integers(0, 100_000)),
        "discharge_current_limit_ma": data.draw(st.integers(0, 120_000)),
        "charge_voltage_limit_mv": data.draw(st.integers(40_000, 56_800)),
        "discharge_voltage_limit_mv": data.draw(st.integers(44_800, 60_000)),
    }
    now_ms = happenings[-1]["t"]
    report = {**content({"current_ma": 0, **lower}), "pack": name, "sample": 65_000 & 0x7FFF}
    give(bank, {"op": "report", "t": now_ms, **report})
    view = bank.step(now_ms + 1)
    part = 4 + len(names) - 1  # over 4: the ratio's default
    least = 4 if settings.get("charger_limits", "battery") == "battery" else part
    assert view.charge_current_limit_ma * 4 <= lower["charge_current_limit_ma"] * least
    assert view.discharge_current_limit_ma * 4 <= lower["discharge_current_limit_ma"] * part
    assert view.charge_voltage_limit_mv <= lower["charge_voltage_limit_mv"]
    assert view.discharge_voltage_limit_mv >= lower["discharge_voltage_limit_mv"]


@given(runs())
def test_a_permission_waits_its_dwell_after_a_denial(run):
    """From the last step in which a denial held a current limit at 0, the limit stays 0 until
    reenable_ms have passed."""
    settings, script = run
    happenings = events(script, names_of(settings))
    steps = [event["t"] for event in happenings if event["op"] == "step"]
    denied_ms = dict.fromkeys(SIDES, -1_000_000)
    for now_ms, view in zip(steps, play(settings, happenings), strict=True):
        for side in SIDES:
            limit_ma = view[side + "_current_limit_ma"]
            if limit_ma == 0 and view[side + "_current_rule"] in DENIALS:
                denied_ms[side] = now_ms
            elif now_ms - denied_ms[side] < settings.get("reenable_ms", 30_000):
                assert limit_ma == 0, (side, now_ms)


@given(st.data())
def test_wishes_only_narrow(data):
    """The same stream with wishes gives no higher current limit and no permission more than without
    them at any step; and no higher charge voltage (no lower discharge voltage), until a wish has
    changed the course of the daily charge."""
    settings = data.draw(banks())
    names = names_of(settings)
    happenings = events(data.draw(scripts(names, wishes(names))), names)
    unasked = [event for event in happenings if event["op"] != "request"]
    same_stage = True
    for asked, free in zip(play(settings, happenings), play(settings, unasked), strict=True):
        for side in SIDES:
            assert asked[side + "_current_limit_ma"] <= free[side + "_current_limit_ma"]
            assert asked[side + "_allowed"] <= free[side + "_allowed"]
        same_stage = same_stage and asked["stage"] == free["stage"]
        if same_stage:
            assert asked["charge_voltage_limit_mv"] <= free["charge_voltage_limit_mv"]
            assert asked["discharge_voltage_limit_mv"] >= free["discharge_voltage_limit_mv"]


@given(st.data())
def test_a_wish_that_ran_out_is_as_if_it_had_never_been(data):
    """Once every wish has run out, each current limit meets that of the same stream without wishes
    as soon as dwell and ramp allow, and stays with it; why names no wish any more."""
    settings = {**data.draw(banks()), "ramp_permille_per_s": 1_000}
    names = names_of(settings)
    script = data.draw(scripts(names, wishes(names), silence=False))
    for *_, asked in script:
        for wish in asked:
            assume(wish["kind"] not in ("stop_charge", "stop_discharge"))  # these do not run out
            wish["lasts_ms"] = wish["lasts_ms"] or 60_000
    script.append((62 + 60, 1_000, {}, []))  # all run out; then dwell, path and settling time
    happenings = events(script, names)
    bank, free = open_bank(settings), open_bank(settings)
    for event in happenings:
        if event["op"] == "step":
            asked_view, free_view = bank.step(event["t"]), free.step(event["t"])
        else:
            give(bank, event)
            if event["op"] != "request":
                give(free, event)
    for side in SIDES:
        field = side + "_current_limit_ma"
        assert getattr(asked_view, field) == getattr(free_view, field)
        caps = bank.why(side + "_current")
        assert not [cap for cap in caps if cap.rule.startswith("owner")]
    assert not [cap for cap in bank.why("charge_voltage") if cap.rule.startswith("owner")]
