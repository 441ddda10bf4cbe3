"""The daily charge: absorption time is honest, is never lost within a cycle, and ends."""

from hypothesis import given
from hypothesis import strategies as st

from aggregator.plain import view_to_plain
from tests.strategies import events, give, open_bank, stage_options

NAMES = ["ash", "elm"]
TARGET_MV = 16 * 3_450
CELL_ARRIVED_MV = 3_550 - 50

moods = st.fixed_dictionaries(
    {"voltage_mv": st.sampled_from([52_800, 55_000, 55_050, 55_200, 56_000, None])},
    optional={
        "cell_max_mv": st.sampled_from([3_450, 3_499, 3_500, 3_600, None]),
        "charge_voltage_limit_mv": st.sampled_from([54_000, 56_800, None]),
        "charge_allowed": st.sampled_from([False, True, True]),
        "charge_path_closed": st.sampled_from([False, True, True]),
        "current_ma": st.sampled_from([-20_000, 0, 2_000, 40_000]),
        "soc_permille": st.integers(0, 1_000),
    },
)
phases = st.tuples(
    st.integers(1, 30),
    st.sampled_from([1_000, 5_000, 20_000]),
    st.fixed_dictionaries({}, optional={"ash": st.one_of(moods, st.none()), "elm": moods}),
    st.lists(
        st.sampled_from(
            [
                {"kind": "cap_charge_voltage", "value": 53_500, "lasts_ms": 40_000},
                {"kind": "stop_charge"},
                {"kind": "clear", "field": "stop_charge"},
            ]
        ),
        max_size=1,
    ),
)


@st.composite
def days(draw):
    """A bank, and the events of a day in which both packs mostly say the same thing."""
    settings = {
        "packs": [{"pack": name, "charge_cell_curve": []} for name in NAMES],
        "stages": draw(stage_options),
        "recovery_samples": 1,
        "reenable_ms": draw(st.sampled_from([0, 5_000])),
        "fresh_ms": 60_000,
        "unheard_ms": 100_000,
    }
    mood = draw(moods)
    script = [(10, 1_000, {"ash": mood, "elm": mood}, [])]
    script += draw(st.lists(phases, min_size=1, max_size=8))
    return settings, script


class Day:
    """Plays a day and gives, step by step: time gone, the view, the state kept, and whether the
    voltage was held, judged here from what the packs said and the owner asked."""

    def __init__(self, settings, script):
        self.bank = open_bank(settings)
        self.settings = settings
        self.script = script
        self.stages = settings["stages"]

    def held(self, view):
        """Was the target (at most what packs, installer and owner allow) held, less tolerance?"""
        caps = {cap.rule: cap.value for cap in self.bank.why("charge_voltage")}
        wish_mv = 53_500 if "owner_voltage_cap" in caps else TARGET_MV
        target_mv = min(TARGET_MV, caps.get("own_limit", TARGET_MV), wish_mv)
        voltage_mv, cell_mv = view["voltage_mv"], view["cell_max_mv"]
        reached = voltage_mv is not None and voltage_mv >= target_mv - 150
        return reached or (cell_mv is not None and cell_mv >= CELL_ARRIVED_MV)

    def __iter__(self):
        before_ms = None
        for event in events(self.script, NAMES):
            if event["op"] != "step":
                give(self.bank, event)
                continue
            view = view_to_plain(self.bank.step(event["t"]))
            gone_ms = 0 if before_ms is None else event["t"] - before_ms
            before_ms = event["t"]
            yield gone_ms, view, self.bank.snapshot(), self.held(view)


@given(days())
def test_absorption_time_counts_only_while_the_voltage_is_held(run):
    """In a step absorption time grows by at most the time gone, only in the stage absorption, and
    only if the voltage is held."""
    served_ms, stage = 0, "bulk"
    for gone_ms, view, state, held in Day(*run):
        if state["held_ms"] > served_ms:
            assert stage == "absorption"
            assert held
            assert state["held_ms"] - served_ms <= gone_ms
        served_ms, stage = state["held_ms"], view["stage"]


@given(days())
def test_a_cycle_never_starts_over_by_a_report_or_a_rejoin(run):
    """Within a cycle absorption time and wall time never go back; absorption goes back to bulk only
    after the voltage was not held for more than dip_ends_cycle_ms."""
    day = Day(*run)
    dip_ends_ms = day.stages.get("dip_ends_cycle_ms", 600_000)
    stage, served_ms, wall_ms, dip_ms = "bulk", 0, 0, 0
    for gone_ms, view, state, held in day:
        dip_ms = 0 if held and view["stage"] != "paused" else dip_ms + gone_ms
        now = state["stage"]  # while paused: the stage that will go on
        if stage == now == "absorption":
            assert state["held_ms"] >= served_ms
            assert state["absorbing_ms"] >= wall_ms
        if stage == "absorption" and now == "bulk":
            assert dip_ms > dip_ends_ms
        stage, served_ms, wall_ms = now, state["held_ms"], state["absorbing_ms"]


@given(days())
def test_absorption_ends_by_its_maximum(run):
    """Once absorption_max_ms of wall time have passed since absorption began, pauses included, the
    next step in which charging is not denied leaves absorption."""
    day = Day(*run)
    longest_ms = day.stages.get("absorption_max_ms", 14_400_000)
    cycle, stage, wall_ms = "bulk", "bulk", 0
    for gone_ms, view, state, _ in day:
        now = state["stage"]
        wall_ms = wall_ms + gone_ms if cycle == "absorption" else 0
        if wall_ms >= longest_ms and stage == "absorption":
            assert view["stage"] != "absorption"
        cycle, stage = now, view["stage"]


@given(days())
def test_starts_keep_their_distance(run):
    """Float goes back to bulk no sooner than restart_min_interval_ms after bulk last began."""
    day = Day(*run)
    interval_ms = day.stages.get("restart_min_interval_ms", 3_600_000)
    stage, began_ms = "bulk", 0
    for gone_ms, _, state, _ in day:
        began_ms += gone_ms
        now = state["stage"]
        if now == "bulk" and stage == "float":
            assert began_ms >= interval_ms
        if now == "bulk" and stage != "bulk":
            began_ms = 0
        stage = now
