"""Mode "wire": a valid conversation, and hostile bytes between its lines.

The target must answer each hostile line once, refuse it, and go on as if it had never been sent:
at the end the same conversation is held without those lines, and every view must be the same.
"""

from typing import Protocol

from hypothesis import strategies as st

from conformance.fuzzing import words
from conformance.fuzzing.acts import Acting, initialize, rule
from conformance.fuzzing.hostile import REFUSED, SKIPPED, Hostile, lines
from conformance.fuzzing.talk import Ask, Talk
from conformance.oracle import Breach, Exchange, Plain
from conformance.oracle.twins import COUNTERS


class Wire(Protocol):
    """The way to a target for bytes as they are; conformance.targets.Target has it."""

    def exchange(self, line: bytes) -> Plain:
        """Send one line, and return the answer to it; raises anything where there is none."""
        ...

    def tell(self, line: bytes) -> None:
        """Send one line that wants no answer."""
        ...


class WireTalk(Talk):
    """A conversation with hostile lines in it; they stand in the history as a vector's steps."""

    def __init__(self, ask: Ask, wire: Wire, only: str) -> None:
        super().__init__(ask, only=only)
        self._wire = wire
        self._thrown: list[Hostile] = []

    def throw(self, hostile: Hostile) -> None:
        """Send a hostile line, and see that it is answered as it must be."""
        self.asked += 1
        self._thrown.append(hostile)
        step = hostile.step(self.now_ms)
        self.history.append((step, {}))
        line = hostile.sent(self.now_ms) * hostile.repeat
        try:
            if hostile.answer == SKIPPED:
                self._wire.tell(line)
                return
            answer = self._wire.exchange(line)
        except Exception as error:  # whatever it is, there was no answer
            text = f"no answer to {hostile.what}: {type(error).__name__}: {error}"
            breach = Breach("REQ-PRO-05", self.now_ms, text, "ok", "in", [True, False])
            raise self.failed(breach) from error
        self.history[-1] = (step, answer)
        if hostile.answer == REFUSED and answer.get("ok") is not False:
            text = f"{hostile.what} is taken, and must be refused"
            breach = Breach(hostile.requirement, self.now_ms, text, "ok", "eq", False)
            raise self.failed(breach)

    def compare_without(self) -> None:
        """Hold the conversation again without the hostile lines, and compare the views."""
        told: list[Exchange] = []
        thrown = iter(self._thrown)
        last: Hostile | None = None
        for request, answer in tuple(self.history):
            told.append((request, answer))
            if request.get("op") == "line":
                last = next(thrown)
                continue
            twin = self._answer(request)
            if last is not None:
                breach = difference(last, answer, twin, self.now_ms)
                if breach is not None:
                    raise self.failed(breach, told)


def difference(last: Hostile, told: Plain, twin: Plain, at_ms: int) -> Breach | None:
    """Return what differs in an answer as it must not; `last`: the hostile line before it."""
    after = f"after {last.what}"
    if told.get("ok") is not twin.get("ok"):
        text = f"{after}, ok is {told.get('ok')}, and {twin.get('ok')} without"
        return Breach(last.requirement, at_ms, text, "ok", "eq", twin.get("ok"))
    view, other = told.get("view"), twin.get("view")
    if not isinstance(other, dict):
        return None
    if not isinstance(view, dict):
        text = f"{after}, a step brings no view: perhaps that line was answered twice"
        return Breach("REQ-PRO-01", at_ms, text, "view.charge_allowed", "absent", False)
    for field in other:
        if field not in COUNTERS and view.get(field) != other[field]:
            text = f"{after}, {field} is {view.get(field)}, and {other[field]} without"
            return Breach(last.requirement, at_ms, text, "view." + field, "eq", other[field])
    return None


class WireMachine(Acting):
    """One bank, and a bad cable. `wire` is set by whoever fuzzes."""

    wire: Wire
    talk: WireTalk

    def __init__(self) -> None:
        super().__init__()
        self.talk = WireTalk(type(self).ask, type(self).wire, type(self).only)
        self.words: dict[str, Plain] = {}

    @initialize(settings=words.settings(most_packs=2), calm=st.booleans())
    def is_configured(self, settings: Plain, calm: bool) -> None:
        """A reset; in half of the stories the bank has then come to rest, wide open."""
        packs = settings["packs"]
        assert isinstance(packs, list)
        self.words = {pack["pack"]: dict(words.HEALTHY) for pack in packs}
        self.talk.ask("reset", settings=settings)
        if calm:
            self.runs(15)

    @rule(seconds=st.integers(1, 6))
    def runs(self, seconds: int) -> None:
        """Every pack reports, then a step; again and again."""
        for _ in range(seconds):
            self.talk.passes(1_000)
            for name in sorted(self.words):
                self.talk.reports(name, self.words[name])
            self.talk.step()

    @rule(number=st.integers(0, 1), change=words.changes())
    def says(self, number: int, change: Plain) -> None:
        """From now on a pack says something else; and a step."""
        self.words[sorted(self.words)[number % len(self.words)]].update(change)
        self.runs(1)

    @rule(value=st.sampled_from([25_000, 60_000]), lasts_ms=st.sampled_from([None, 3_000]))
    def wishes(self, value: int, lasts_ms: int | None) -> None:
        """The owner asks for less."""
        self.talk.ask("request", kind="cap_charge_current", value=value, lasts_ms=lasts_ms)
        self.talk.step()

    @rule(hostile=lines(), again=st.sampled_from([1, 1, 1, 20]))
    def hears(self, hostile: Hostile, again: int) -> None:
        """A hostile line, perhaps many times over; and a step at the same time."""
        for _ in range(again if hostile.repeat == 1 else 1):
            self.talk.throw(hostile)
        self.talk.step()

    @rule(some=st.lists(lines(), min_size=2, max_size=6), middle=words.changes())
    def hears_in_between(self, some: list[Hostile], middle: Plain) -> None:
        """Hostile lines before, between and behind the reports of one second."""
        self.talk.passes(1_000)
        name = sorted(self.words)[0]
        self.words[name].update(middle)
        for number, hostile in enumerate(some):
            self.talk.throw(hostile)
            if number == 0:
                for pack in sorted(self.words):
                    self.talk.reports(pack, self.words[pack])
        self.talk.step()

    def ends(self) -> None:
        """Hold the conversation again without the hostile lines."""
        self.talk.compare_without()
