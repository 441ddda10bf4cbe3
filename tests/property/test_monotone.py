"""A worse word never gives more: two runs that differ in one report are compared step by step."""

from typing import NamedTuple

from hypothesis import assume, given
from hypothesis import strategies as st

from aggregator.plain import view_to_plain
from tests.strategies import (
    banks,
    events,
    give,
    names_of,
    open_bank,
    scripts,
    starts,
    wishes,
)

VOLTAGES = (("charge_voltage", 1), ("discharge_voltage", -1))
LONGEST_MS = 432_000_000


class Run(NamedTuple):
    """A bank, what happens, and one report of a pack (counted from its second)."""

    settings: dict
    script: list
    start_ms: int
    name: str
    nth: int

    def parted(self):
        """Return the settings, the events, and the places in them from that report on."""
        happenings = events(self.script, names_of(self.settings), self.start_ms)
        places = [
            place
            for place, event in enumerate(happenings)
            if event["op"] == "report" and event["pack"] == self.name
        ]
        assume(len(places) > self.nth)
        return self.settings, happenings, places[self.nth - 1 :]


@st.composite
def runs(draw, **settings):
    bank = {**draw(banks()), **settings}
    names = names_of(bank)
    script = draw(scripts(names, wishes(names)))
    most = sum(phase[0] for phase in script)
    return Run(bank, script, draw(starts), draw(st.sampled_from(names)), draw(st.integers(1, most)))


class Twin:
    """One of the two runs: its bank, and the stage it was in when they parted."""

    def __init__(self, settings, happenings):
        self.bank = open_bank(settings)
        self.happenings = happenings
        self.view = None
        self.stage = None

    def at(self, place):
        event = self.happenings[place]
        if event is None:
            return
        if event["op"] == "step":
            self.view = view_to_plain(self.bank.step(event["t"]))
        else:
            give(self.bank, event)

    def cap(self, limit, sign):
        """The least cautious value that all rules but the stage's own target allow."""
        caps = [sign * cap.value for cap in self.bank.why(limit) if cap.rule != "stage_target"]
        return min(caps)


def never_above(settings, better, worse, place):
    """The run `worse`, which differs from `better` at `place`, is nowhere above it."""
    twins = Twin(settings, better), Twin(settings, worse)
    good, bad = twins
    same_stage = True
    for number in range(len(better)):
        good.at(number)
        bad.at(number)
        if number == place:
            good.stage = good.view and good.view["stage"]
        if number < place or better[number]["op"] != "step":
            continue
        for side in ("charge", "discharge"):
            limit = side + "_current_limit_ma"
            assert bad.view[limit] <= good.view[limit], (side, better[number]["t"])
            assert bad.view[side + "_allowed"] <= good.view[side + "_allowed"]
        same_stage = same_stage and bad.view["stage"] == good.view["stage"] == good.stage
        if same_stage:
            for limit, sign in VOLTAGES:
                assert bad.cap(limit, sign) <= good.cap(limit, sign), (limit, better[number]["t"])
    assert not good.bank._bank.shares.learned  # the promise is for equal shares: here, none


def differing(happenings, place, **changes):
    return [*happenings[:place], {**happenings[place], **changes}, *happenings[place + 1 :]]


@given(runs(), st.data())
def test_a_lower_limit_raises_nothing(run, data):
    """A report with a lower own limit (a higher one, for the discharge voltage) raises no output."""
    settings, happenings, (_, place, *_) = run.parted()
    field = data.draw(
        st.sampled_from(
            [
                "charge_current_limit_ma",
                "discharge_current_limit_ma",
                "charge_voltage_limit_mv",
                "discharge_voltage_limit_mv",
            ]
        )
    )
    value = happenings[place][field]
    if field == "discharge_voltage_limit_mv":
        worse = data.draw(st.integers(value or 0, 60_000))
    elif field == "charge_voltage_limit_mv":
        worse = data.draw(st.integers(0, 60_000 if value is None else value))
    else:
        assume(value is not None)  # unknown counts as 0, and nothing is lower
        worse = data.draw(st.integers(0, value))
    never_above(settings, happenings, differing(happenings, place, **{field: worse}), place)


@given(runs(), st.sampled_from(["charge", "discharge"]))
def test_a_denial_without_a_declared_opening_raises_nothing(run, side):
    """A report that refuses, while its path is not said, nor set, to open, raises no output."""
    settings, happenings, (_, place, *_) = run.parted()
    report = happenings[place]
    opens = {pack["pack"]: pack.get("opens_path_on_refusal") for pack in settings["packs"]}
    assume(report[side + "_path_closed"] is True or not opens[report["pack"]])
    worse = differing(happenings, place, **{side + "_allowed": False})
    never_above(settings, happenings, worse, place)


@given(runs(), st.integers(0, 300), st.integers(0, 300))
def test_temperatures_outward_raise_nothing(run, colder, hotter):
    """A report with a colder coldest and a hotter hottest sensor raises no output."""
    settings, happenings, (_, place, *_) = run.parted()
    report = happenings[place]
    cold, hot = report["temperature_min_decic"], report["temperature_max_decic"]
    # One sensor alone stands for both ends: there is no outward for it.
    assume(cold is not None and hot is not None)
    worse = differing(
        happenings,
        place,
        temperature_min_decic=max(-500, cold - colder),
        temperature_max_decic=hot + hotter,
    )
    never_above(settings, happenings, worse, place)


@given(runs(frozen_ms=LONGEST_MS), st.integers(0, 400), st.integers(0, 400))
def test_cells_outward_raise_nothing(run, higher, lower):
    """A report with a higher top cell and a lower bottom cell raises no output.

    Only while no pack counts as frozen: a reading that differs is a sign of life, and so it may
    keep a pack that otherwise stands still from being taken for silent. Nothing else is excepted.
    """
    settings, happenings, (_, place, *_) = run.parted()
    report = happenings[place]
    top, bottom = report["cell_max_mv"], report["cell_min_mv"]
    assume(top is not None and bottom is not None)
    worse = differing(
        happenings, place, cell_max_mv=min(5_000, top + higher), cell_min_mv=bottom - lower
    )
    never_above(settings, happenings, worse, place)


@given(runs(), st.one_of(st.integers(1, 20_000), st.integers(1, LONGEST_MS)), st.integers(0, 9_000))
def test_a_larger_age_raises_nothing(run, older, age):
    """The same report with a larger age raises no output."""
    settings, happenings, (_, place, *_) = run.parted()
    better = differing(happenings, place, age_ms=age)
    worse = differing(happenings, place, age_ms=min(age + older, LONGEST_MS))
    never_above(settings, better, worse, place)


@given(
    runs(),
    st.sampled_from(["dropped", "repeated", "malformed"]),
    st.integers(1, 40),
    st.sampled_from(
        [{"soc_permille": 1_200}, {"current_ma": 1.5}, {"cell_min_mv": 3_400, "cell_max_mv": 3_399}]
    ),
)
def test_lost_repeated_and_bad_reports_raise_nothing(run, fate, count, malformed):
    """Compared with its pack saying its previous content again, afresh, a report (and up to 39 more
    after it) that is lost, that repeats the sample before, or that is malformed, raises no output."""
    settings, happenings, places = run.parted()
    before = happenings[places[0]]
    better, worse = list(happenings), list(happenings)
    for number in places[1 : 1 + count]:
        told = happenings[number]
        better[number] = {**before, "t": told["t"], "sample": told["sample"]}
        worse[number] = {
            "dropped": None,
            "repeated": {**told, **before, "t": told["t"]},
            "malformed": {**told, **malformed},
        }[fate]
    never_above(settings, better, worse, places[1])
