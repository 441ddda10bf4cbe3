"""Mode "protocol": packs, an owner and bad links say anything, and time passes.

A hypothesis state machine: rules are things that happen to a bank. Most of them send a handful of
requests; the oracle reads every answer.
"""

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from conformance.fuzzing import words
from conformance.fuzzing.rest import ENDINGS, rest
from conformance.fuzzing.talk import WRAP_MS, Talk
from conformance.oracle import Plain
from conformance.oracle.twins import TWINS, has_run_out

PACKS = st.integers(0, len(words.NAMES) - 1)
STARTS = st.sampled_from([0, 0, WRAP_MS - 7_000, WRAP_MS // 2 - 7_000, 123_456_789])


class ProtocolMachine(RuleBasedStateMachine):
    """One bank, from its configuration on. `ask` and `done` are set by whoever fuzzes."""

    ask: Callable[[Plain], Plain]
    done: Callable[[Talk], None]
    only = ""

    def __init__(self) -> None:
        super().__init__()
        self.talk = Talk(type(self).ask, only=type(self).only)
        self.words: dict[str, Plain] = {}
        self.silent: set[str] = set()
        self.settings: Plain = {}
        self.ending: str | None = None

    @initialize(
        settings=words.settings(),
        start_ms=STARTS,
        openings=words.openings(),
        calm=st.booleans(),
        ending=st.sampled_from([None, None, *TWINS, *ENDINGS]),
    )
    def is_configured(
        self,
        settings: Plain,
        start_ms: int,
        openings: list[list[Plain]],
        calm: bool,
        ending: str | None,
    ) -> None:
        """A reset; in half of the stories the bank has then come to rest, as open as it gets."""
        self.talk = Talk(type(self).ask, start_ms, type(self).only)
        self.settings, self.ending = settings, ending
        packs = settings["packs"]
        assert isinstance(packs, list)
        self.words = {pack["pack"]: dict(words.HEALTHY) for pack in packs}
        for said, changes in zip(self.words.values(), openings, strict=False):
            for change in changes:
                said.update(change)
        self.talk.ask("reset", settings=settings)
        if calm:
            self.runs(25, 1_000)

    def name(self, number: int) -> str:
        """Return a pack by a number, of which there may be more than packs."""
        return sorted(self.words)[number % len(self.words)]

    # Time and packs.

    @rule(seconds=st.integers(1, 12), every_ms=st.sampled_from([1_000, 1_000, 500, 2_000]))
    def runs(self, seconds: int, every_ms: int) -> None:
        """Every pack that speaks reports, then a step; again and again."""
        for _ in range(max(1, seconds * 1_000 // every_ms)):
            self.talk.passes(every_ms)
            for name in sorted(self.words):
                if name not in self.silent:
                    self.talk.reports(name, self.words[name])
            self.talk.step()

    @rule(number=PACKS, change=words.changes(), everybody=st.sampled_from([False, False, True]))
    def says(self, number: int, change: Plain, everybody: bool) -> None:
        """From now on a pack, or all of them, say something else; and a step."""
        for name in self.words if everybody else [self.name(number)]:
            self.words[name].update(change)
        self.runs(1, 1_000)

    @rule(number=PACKS, changes=st.lists(words.changes(), min_size=2, max_size=4))
    def says_much(self, number: int, changes: list[Plain]) -> None:
        """A pack says several things that it did not say before."""
        for change in changes:
            self.words[self.name(number)].update(change)
        self.runs(2, 1_000)

    @rule(number=PACKS, refusal=words.refusals(), seconds=st.integers(1, 3))
    def refuses(self, number: int, refusal: Plain, seconds: int) -> None:
        """A pack says no to a direction, or yes again, and something or nothing of its path."""
        self.words[self.name(number)].update(refusal)
        self.runs(seconds, 1_000)

    @rule(currents=words.currents(), seconds=st.integers(1, 4))
    def carry(self, currents: list[int], seconds: int) -> None:
        """Every pack carries its part of some current."""
        for name, current_ma in zip(sorted(self.words), currents, strict=False):
            self.words[name].update(current_ma=current_ma)
        self.runs(seconds, 1_000)

    @rule(seconds=st.integers(5, 30))
    def is_well_again(self, seconds: int) -> None:
        """Every pack is healthy again, and limits go up."""
        for said in self.words.values():
            said.update(words.HEALTHY)
        self.runs(seconds, 1_000)

    @rule(number=PACKS)
    def goes_silent(self, number: int) -> None:
        """A link breaks."""
        self.silent.add(self.name(number))
        self.runs(2, 1_000)

    @precondition(lambda self: self.silent)
    @rule()
    def speak_again(self) -> None:
        """Every link is back."""
        self.silent.clear()
        self.runs(1, 1_000)

    @rule(ms=st.sampled_from([1, 1_000, 4_000, 20_000]), steps=st.integers(1, 3))
    def nobody_reports(self, ms: int, steps: int) -> None:
        """Time passes without a word."""
        for _ in range(steps):
            self.talk.passes(ms)
            self.talk.step()

    @rule(seconds=st.integers(5, 40))
    def currents_move(self, seconds: int) -> None:
        """The first pack's current swings; the others stand still, as a hung board would."""
        first = sorted(self.words)[0]
        for second in range(seconds):
            self.words[first]["current_ma"] = 5_000 * (second % 2)
            self.runs(1, 1_000)

    @rule(
        volt_mv=st.sampled_from([55_200, 55_100, 55_000, 54_000]),
        seconds=st.integers(4, 100),
        current_ma=st.sampled_from([None, 2_000, 33_333, -33_333]),
    )
    def bank_is_near_full(self, volt_mv: int, seconds: int, current_ma: int | None) -> None:
        """The bank stays at a voltage for a while: what absorption is made of."""
        for said in self.words.values():
            said.update(voltage_mv=volt_mv, cell_min_mv=3_440, cell_max_mv=3_450, cells_mv=None)
            if current_ma is not None:
                said.update(current_ma=current_ma)
        self.runs(seconds, 2_000 if seconds > 30 else 1_000)

    # Bad links.

    @rule(number=PACKS, behind=st.integers(0, 2), change=words.changes())
    def old_news(self, number: int, behind: int, change: Plain) -> None:
        """A repeat of the last sample, or one that was overtaken, with other contents."""
        name = self.name(number)
        sample = (self.talk.samples.get(name, 0) - behind) % 65_536
        self.talk.ask("report", pack=name, sample=sample, **{**self.words[name], **change})
        self.talk.step()

    @rule(number=PACKS, age_ms=st.sampled_from([1_000, 5_000, 14_000, 400_000_000]))
    def arrives_late(self, number: int, age_ms: int) -> None:
        """A reading that was queued somewhere."""
        name = self.name(number)
        self.talk.passes(500)
        self.talk.reports(name, self.words[name], age_ms=age_ms)
        self.talk.step()

    @rule(number=PACKS, wrong=st.sampled_from(words.IMPOSSIBLE))
    def cannot_be(self, number: int, wrong: Plain) -> None:
        """A report that cannot be true; then a step, which must not know of it."""
        name = self.name(number)
        sample = (self.talk.samples.get(name, 0) + 1) % 65_536
        fields: dict[str, Any] = {"pack": name, "sample": sample, **self.words[name]}
        self.talk.ask("report", **{**fields, **wrong})
        self.talk.step()

    @rule(junk=st.sampled_from(words.JUNK))
    def nonsense(self, junk: Plain) -> None:
        """A request that means nothing."""
        self.talk.send({"t": self.talk.history[-1][0].get("t", 0), **junk})

    # The owner.

    @rule(wish=words.wishes(), number=PACKS, source=st.sampled_from(["phone", "wall"]))
    def wishes(self, wish: Plain, number: int, source: str) -> None:
        """The owner asks for less."""
        pack = {"pack": self.name(number)} if wish["kind"] == "withhold_pack" else {}
        self.talk.ask("request", **wish, **pack, source=source)
        self.talk.step()

    @rule(number=st.integers(0, 99), mine=st.booleans())
    def clears(self, number: int, mine: bool) -> None:
        """The owner, or somebody else, takes a wish back."""
        kept = self.talk.oracle.known.wishes
        if kept:
            wish = kept[number % len(kept)]
            source = wish.source if mine else "nobody"
            pack = {} if wish.pack is None else {"pack": wish.pack}
            self.talk.ask("request", kind="clear", field=wish.kind, source=source, **pack)
            self.talk.step()

    @rule(count=st.integers(15, 18))
    def too_many_wishes(self, count: int) -> None:
        """More wishes than can be kept; the last one is the strictest."""
        for number in range(count):
            fields = {"value": 90_000 - 5_000 * number, "source": f"app {number}"}
            self.talk.ask("request", kind="cap_charge_current", **fields)
        self.talk.step()

    @rule(number=PACKS, kind=st.sampled_from(["declare_removed", "declare_returned"]))
    def declares(self, number: int, kind: str) -> None:
        """The owner says that a pack was disconnected, or is back."""
        self.talk.ask("request", kind=kind, pack=self.name(number))
        self.talk.step()

    @rule(number=PACKS, kind=st.sampled_from(["start_bulk", "restore_pack"]))
    def commands(self, number: int, kind: str) -> None:
        """The owner commands."""
        pack = {"pack": self.name(number)} if kind == "restore_pack" else {}
        self.talk.ask("request", kind=kind, **pack)
        self.talk.step()

    @rule(
        value=st.sampled_from([15_000, 1_000]), field=st.sampled_from(["absorption_ms", "dwell_ms"])
    )
    def adjusts(self, value: int, field: str) -> None:
        """The owner changes the daily charge, or tries to."""
        self.talk.ask("request", kind="adjust_stage", field=field, value=value)
        self.talk.step()

    # The bridge itself.

    @rule(remembers=st.sampled_from([True, True, False]))
    def restarts(self, remembers: bool) -> None:
        """Power fails and returns, with or without what was kept."""
        state = self.talk.ask("snapshot").get("state")
        self.talk.passes(3_000)
        self.talk.ask("reset", settings=self.settings)
        if remembers:
            self.talk.ask("restore", state=state)
        self.talk.step()

    @rule(limit=st.sampled_from(["charge_current", "discharge_current", "charge_voltage"]))
    def is_asked_why(self, limit: str) -> None:
        """Somebody asks why a limit is what it is."""
        self.talk.ask("why", limit=limit)

    @rule(ms=st.sampled_from([0, 2_000, 7_000]))
    def wants_to_speak(self, ms: int) -> None:
        """An adapter asks whether it may send a frame, perhaps long after the last step."""
        self.talk.passes(ms)
        self.talk.ask("may_speak")

    @rule(current_ma=st.sampled_from([None, 0, 40_000, -40_000]), sample=st.integers(0, 9))
    def bus_meter(self, current_ma: int | None, sample: int) -> None:
        """A meter on the common bus reads something."""
        self.talk.ask("bus", sample=sample, current_ma=current_ma)
        self.talk.step()

    def comes_to_rest(self) -> None:
        """All is well for so long that every wish with an end has run out, and limits are up."""
        self.silent.clear()
        for said in self.words.values():
            said.update(words.HEALTHY)
        self.runs(70, 1_000)

    def ends(self) -> None:
        """Come to rest, or hold the conversation again with one thing changed."""
        if self.ending in ENDINGS:
            rest(self.talk, self.words, self.ending)
        if self.ending == "ran_out" and has_run_out(self.talk.history):
            self.comes_to_rest()
        if self.ending in TWINS and len(self.talk.history) < 700:
            self.talk.compare_twin(self.ending)

    def teardown(self) -> None:
        """The end of the story."""
        try:
            if self.words and not self.talk.broken:
                self.ends()
        finally:
            type(self).done(self.talk)
