"""Mode "protocol": packs, an owner and bad links say anything, and time passes.

A hypothesis state machine: rules are things that happen to a bank. Most of them send a handful of
requests; the oracle reads every answer.
"""

from typing import Any, TypeVar

from hypothesis import strategies as st

from conformance.fuzzing import words
from conformance.fuzzing.acts import rule
from conformance.fuzzing.bank import PACKS, Bank
from conformance.fuzzing.rest import ENDINGS, rest
from conformance.oracle import Plain
from conformance.oracle.twins import TWINS, has_run_out

T = TypeVar("T")


def some(rows: tuple[T, ...]) -> st.SearchStrategy[list[T]]:
    """Return a few of these, or all of them at once."""
    return st.one_of(st.lists(st.sampled_from(rows), max_size=4), st.just(list(rows)))


class ProtocolMachine(Bank):
    """What bad links and an owner do to the bank, and how its story ends."""

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

    @rule(
        number=PACKS,
        reports=some(words.IMPOSSIBLE),
        requests=some(words.JUNK),
        settings=some(words.WRONG_SETTINGS),
    )
    def is_pestered(
        self,
        number: int,
        reports: list[Plain],
        requests: list[Plain],
        settings: list[Plain],
    ) -> None:
        """What cannot be true, and what means nothing; a step must not know of it."""
        name = self.name(number)
        for wrong in reports:
            sample = (self.talk.samples.get(name, 0) + 1) % 65_536
            fields: dict[str, Any] = {"pack": name, "sample": sample, **self.words[name]}
            self.talk.ask("report", **{**fields, **wrong})
        for junk in requests:
            self.talk.send({"t": self.talk.raw_ms(), **junk})
        for wrong in settings:
            self.talk.ask("reset", settings={**self.settings, **wrong})
        self.talk.ask("report", pack=name, voltage_mv=53_000)  # which sample?
        self.talk.step()

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

    @rule(
        count=st.sampled_from([2, 3, 17]),
        strictest_first=st.booleans(),
        side=st.sampled_from(["charge", "discharge"]),
    )
    def many_wishes(self, count: int, strictest_first: bool, side: str) -> None:
        """Several people, or more than can be kept, ask for a little more each time, or less."""
        values = [5_000 * (1 + number) for number in range(count)]
        for number, value in enumerate(values if strictest_first else values[::-1]):
            kind, source = f"cap_{side}_current", f"app {number}"
            self.talk.ask("request", kind=kind, value=value, source=source, lasts_ms=9_000)
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

    @rule(
        remembers=st.sampled_from([True, True, False]),
        early=st.booleans(),
        stopped=st.sampled_from([None, None, "stop_charge", "stop_discharge"]),
    )
    def restarts(self, remembers: bool, early: bool, stopped: str | None) -> None:
        """Power fails and returns, with or without what was kept, perhaps after the owner's stop."""
        if stopped is not None:
            self.talk.ask("request", kind=stopped, source="phone")
        state = self.talk.ask("snapshot").get("state")
        self.talk.passes(3_000)
        self.talk.ask("reset", settings=self.settings)
        if remembers:
            self.talk.ask("restore", state=state)
        if early:
            self.talk.step()
        for _ in range(3):
            self.talk.passes(100)
            for name in sorted(self.words):
                if name not in self.silent:
                    self.talk.reports(name, self.words[name])
        self.talk.step()

    @rule(ms=st.sampled_from([0, 0, 2_000, 7_000]))
    def is_asked(self, ms: int) -> None:
        """Why is a limit what it is? May a frame be sent, perhaps long after the last step?"""
        for limit in ("charge_current", "discharge_current", "charge_voltage"):
            self.talk.ask("why", limit=limit)
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
        if not self.words or self.talk.broken:
            return
        if self.ending in ENDINGS:
            rest(self.talk, self.words, self.ending)
        if self.ending == "ran_out" and has_run_out(self.talk.history):
            self.comes_to_rest()
        if self.ending in TWINS and len(self.talk.history) < 700:
            self.talk.compare_twin(self.ending)
