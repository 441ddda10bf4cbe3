"""A snapshot carries over what must survive a restart, and nothing that must not."""

import json

from hypothesis import given
from hypothesis import strategies as st

from aggregator.cycle import TIMERS
from tests.property.linear_bank import NAMES, LinearBank, Loop
from tests.strategies import banks, events, give, names_of, open_bank, orders, scripts, wishes


@st.composite
def runs(draw):
    settings = draw(banks())
    names = names_of(settings)
    return settings, draw(scripts(names, st.one_of(wishes(names), orders(names))))


def played(settings, script):
    """A bank after the script, and the time then."""
    bank = open_bank(settings)
    now_ms = 0
    for event in events(script, names_of(settings)):
        now_ms = event["t"]
        bank.step(now_ms) if event["op"] == "step" else give(bank, event)
    return bank, now_ms


@given(runs(), st.integers(0, 1 << 30))
def test_a_snapshot_comes_back_whole(run, now_ms):
    """A snapshot is a flat dict of integers and texts that survives JSON; restored into a new bank
    it is taken, and the new bank's snapshot is the same, shares of a silent pack's bank included."""
    settings, script = run
    state = played(settings, script)[0].snapshot()
    assert all(type(value) in (int, str) for value in state.values())
    assert json.loads(json.dumps(state)) == state
    bank = open_bank(settings)
    assert bank.restore(state, now_ms) is None
    assert bank.snapshot() == state
    assert open_bank(settings).restore(bank.snapshot(), now_ms) is None


@given(runs(), st.integers(0, 1 << 30))
def test_limits_start_at_zero(run, now_ms):
    """After restore every current limit is 0 until packs are heard again; then the stage that was
    saved goes on."""
    settings, script = run
    state = played(settings, script)[0].snapshot()
    bank = open_bank(settings)
    bank.restore(state, now_ms)
    for later_ms in range(0, 5_000, 1_000):
        view = bank.step(now_ms + later_ms)
        assert view.charge_current_limit_ma == view.discharge_current_limit_ma == 0
        assert not view.charge_allowed
        assert not view.discharge_allowed
        assert view.stage == "paused"
        assert not bank.may_speak(now_ms + later_ms)
    names = names_of(settings)
    for event in events([(80, 1_000, {}, [])], names, now_ms + 5_000):
        if event["op"] != "step":
            give(bank, {**event, "sample": event["sample"] + 30_000})
            continue
        stage = bank.step(event["t"]).stage
        if stage != "paused":
            assert stage == state["stage"]
            break


@given(runs(), st.lists(st.integers(1, 30_000), max_size=12), st.integers(0, 1 << 29))
def test_remaining_times_run_on(run, gaps, shift_ms):
    """After restore the time that wishes have left, and since bulk was started, runs on as in a twin
    that never stopped (with no packs heard in either)."""
    settings, script = run
    twin, now_ms = played(settings, script)
    bank = open_bank(settings)
    bank.restore(twin.snapshot(), now_ms + shift_ms)
    bank.step(now_ms + shift_ms)
    for gap_ms in gaps:
        now_ms += gap_ms
        twin.step(now_ms)
        bank.step(now_ms + shift_ms)
        states = []
        for each in (twin, bank):
            state = each.snapshot()
            kept = {key: state[key] for key in state if key.startswith("wish.")}
            states.append(kept)
        assert states[0] == states[1]


@given(runs())
def test_stage_and_timers_are_kept(run):
    """Restored, stage and every timer are what they were, and no time passes for them until the
    first step after."""
    settings, script = run
    before = played(settings, script)[0].snapshot()
    bank = open_bank(settings)
    bank.restore(before, 0)
    bank.step(0)
    after = bank.snapshot()
    assert after["stage"] == before["stage"]
    for name in TIMERS:
        running = name in ("reached_ms", "arrived_ms", "tails_ms", "low_ms")
        # What must hold without a break is broken by a restart: nothing is heard at first.
        assert after[name] == before[name] or (running and after[name] == 0), name


@given(st.integers(1, 3), st.booleans())
def test_shares_are_kept(restarts, silent):
    """Learned shares are in force again as soon as the same packs are heard, after one restart or
    several in a row, and whether or not a pack was silent when the snapshot was taken."""
    truth = LinearBank([3, 2, 1], [0, 0, 0], [100_000] * 3)
    loop = Loop(truth)
    for minute in range(14):
        for _ in range(12):
            loop.turn(20_000 + minute % 2 * 100_000, 5_000)
    learned = loop.core._bank.shares
    assert learned.learned
    before = list(learned.share_permille)
    while silent and loop.core._bank.view.packs[2].presence != "unheard":
        before = list(learned.share_permille)
        loop.now_ms += 5_000
        loop.sample += 1
        loop.report(0, 20_000)
        loop.report(1, 20_000)
        loop.core.step(loop.now_ms)
    for _ in range(restarts):
        state = loop.core.snapshot()
        loop = Loop(truth)
        assert loop.core.restore(state, 0) is None
        loop.core.step(0)
    loop.turn(0)
    loop.turn(0)
    rows = loop.core.step(loop.now_ms).packs
    assert [row.pack for row in rows] == list(NAMES[:3])
    assert [row.share_permille for row in rows] == before
