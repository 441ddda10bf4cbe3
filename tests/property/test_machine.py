"""Whole event streams, chosen one event at a time: every promise that can be seen in one step."""

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from aggregator import LIMITS, Cap
from aggregator.plain import view_to_plain
from tests.strategies import (
    BASE,
    banks,
    content,
    departures,
    give,
    names_of,
    open_bank,
    orders,
    wishes,
)

SHIFT_MS = (1 << 30) - 123_456  # where the mirror's counter starts
SIDES = ("charge", "discharge")
packs = st.integers(0, 3)


class Stream(RuleBasedStateMachine):
    """A bank under any stream of events, and a mirror of it: the same settings with the packs in
    reverse order, another start of the counter, and every report delivered twice."""

    @initialize(settings=banks(least=2))
    def begin(self, settings):
        self.settings = settings
        self.names = names_of(settings)
        mirrored = {**settings, "packs": settings["packs"][::-1]}
        self.both = open_bank(settings), open_bank(mirrored)
        self.now_ms = 0
        self.samples = dict.fromkeys(self.names, 0)
        self.saying = {name: dict(BASE) for name in self.names}
        self.heard = {}
        self.view = None
        self.before = None
        self.run(40)

    def offer(self, event):
        """Give an event to the bank and its mirror; both must say the same to it."""
        bank, mirror = self.both
        shifted = {**event, "t": event["t"] + SHIFT_MS}
        refusal = give(bank, event)
        assert str(refusal) == str(give(mirror, shifted))
        if refusal is None and event["op"] == "report":
            give(mirror, shifted)
            self.heard[event["pack"]] = event
        return refusal

    def pick(self, number):
        return self.names[number % len(self.names)]

    def report(self, name, age_ms=0):
        if self.saying[name] is not None:
            self.samples[name] = (self.samples[name] + 1) & 0xFFFF
            told = {"pack": name, "sample": self.samples[name], "age_ms": age_ms}
            event = {"op": "report", "t": self.now_ms, **told, **self.saying[name]}
            assert self.offer(event) is None

    def step(self, ms):
        self.now_ms += ms
        self.before = self.view
        self.gone_ms = ms
        bank, mirror = self.both
        self.view = view_to_plain(bank.step(self.now_ms))
        assert view_to_plain(mirror.step(self.now_ms + SHIFT_MS)) == self.view

    @rule(seconds=st.integers(1, 40))
    def run(self, seconds):
        for _ in range(seconds):
            for name in self.names:
                self.report(name)
            self.step(1_000)
            self.check()

    @rule(ms=st.one_of(st.integers(0, 15_000), st.integers(0, 10_000_000)))
    def let_time_pass(self, ms):
        self.step(ms)

    @rule(number=packs, changes=departures, age_ms=st.sampled_from([0, 0, 3_000, 12_000, 40_000]))
    def say(self, number, changes, age_ms):
        name = self.pick(number)
        self.saying[name] = content(changes)
        self.report(name, age_ms)

    @rule(number=packs)
    def fall_silent(self, number):
        self.saying[self.pick(number)] = None

    @rule(number=packs)
    def restart_counting(self, number):
        """A pack's adapter starts its sample count anew, as after a power cut."""
        self.samples[self.pick(number)] = 0

    @rule(data=st.data())
    def ask(self, data):
        fields = data.draw(st.one_of(wishes(self.names), orders(self.names)))
        self.offer({"op": "request", "t": self.now_ms, **fields})

    @rule(sample=st.integers(0, 65_535), current_ma=st.integers(-300_000, 300_000))
    def read_the_bus(self, sample, current_ma):
        self.offer({"op": "bus", "t": self.now_ms, "sample": sample, "current_ma": current_ma})

    @rule(number=packs, field=st.sampled_from(["soc_permille", "sample", "cells_mv"]))
    def say_nonsense(self, number, field):
        before = self.both[0].snapshot()
        event = {"op": "report", "t": self.now_ms, "pack": self.pick(number), **BASE, "sample": 1}
        assert self.offer({**event, field: -1}) is not None
        assert self.both[0].snapshot() == before

    @rule(order=st.booleans())
    def restart(self, order):
        """Power cut and restart: a new bank takes up the state of the old one."""
        state = self.both[0].snapshot()
        settings = dict(self.settings)
        self.both = (
            open_bank(settings),
            open_bank({**settings, "packs": settings["packs"][:: -1 if order else 1]}),
        )
        for bank, start_ms in zip(self.both, (0, SHIFT_MS), strict=True):
            assert bank.restore(state, self.now_ms + start_ms) is None
            assert bank.snapshot() == state
        self.heard = {}
        self.view = None
        self.step(0)
        assert self.view["charge_current_limit_ma"] == 0
        assert self.view["discharge_current_limit_ma"] == 0

    @invariant()
    def check(self):
        if getattr(self, "view", None) is None:
            return
        rows = {row["pack"]: row for row in self.view["packs"]}
        self.check_currents(rows)
        self.check_voltages(rows)
        self.check_why()

    def check_currents(self, rows):
        """Permission and limit agree; ceilings, contributions, grants, refusals and ramp are kept."""
        options = {pack["pack"]: pack for pack in self.settings["packs"]}
        for side in SIDES:
            limit_ma = self.view[side + "_current_limit_ma"]
            assert self.view[side + "_allowed"] is (limit_ma > 0)
            assert 0 <= limit_ma <= self.settings.get(side + "_current_ceiling_ma", limit_ma)
            whole = 0
            for name, row in rows.items():
                own = self.heard.get(name, {}).get(side + "_current_limit_ma") or 0
                whole += options[name].get(side + "_current_ceiling_ma", own)
                if row["presence"] == "unheard" and self.now_is_stepped():
                    grant = options[name].get("unheard_" + side + "_current_ma", 0)
                    assert limit_ma <= grant
            if self.before is not None and self.now_is_stepped():
                permille = self.settings.get("ramp_permille_per_s", 50)
                rise_ma = whole * permille * min(self.gone_ms, 1_000) // 1_000_000 + 1
                assert limit_ma <= self.before[side + "_current_limit_ma"] + rise_ma

    def now_is_stepped(self):
        """Has nothing arrived since the last step, so that its view is about what is known now?"""
        told = [event["t"] for event in self.heard.values()]
        return not told or max(told) < self.now_ms

    def check_voltages(self, rows):
        """No voltage limit is beyond the own limit of a pack that is not removed, or a ceiling."""
        charge_mv = self.view["charge_voltage_limit_mv"]
        discharge_mv = self.view["discharge_voltage_limit_mv"]
        assert 0 <= charge_mv <= self.settings.get("charge_voltage_ceiling_mv", 56_800)
        assert discharge_mv >= self.settings.get("discharge_voltage_floor_mv", 44_800)
        if not self.now_is_stepped():
            return
        for name, event in self.heard.items():
            if rows[name]["presence"] != "removed":
                own_mv = event["charge_voltage_limit_mv"]
                assert own_mv is None or charge_mv <= own_mv
                own_mv = event["discharge_voltage_limit_mv"]
                assert own_mv is None or discharge_mv >= own_mv

    def check_why(self):
        """The first cap of each limit is the limit."""
        for limit in LIMITS:
            unit = "_ma" if limit.endswith("current") else "_mv"
            rule_told, pack = self.view[limit + "_rule"], self.view[limit + "_pack"]
            bound = Cap(self.view[limit + "_limit" + unit], rule_told, pack)
            assert self.both[0].why(limit)[0] == bound


TestStream = Stream.TestCase
