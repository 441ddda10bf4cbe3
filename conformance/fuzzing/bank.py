"""A bank that anything may happen to: what its packs say, and how time passes."""

from hypothesis import strategies as st
from hypothesis.stateful import precondition

from conformance.fuzzing import words
from conformance.fuzzing.acts import Acting, initialize, rule
from conformance.fuzzing.rest import ENDINGS
from conformance.fuzzing.talk import WRAP_MS, Talk
from conformance.oracle import Plain
from conformance.oracle.twins import TWINS

PACKS = st.integers(0, len(words.NAMES) - 1)
STARTS = st.sampled_from([0, 0, WRAP_MS - 7_000, WRAP_MS // 2 - 7_000, 123_456_789])


class Bank(Acting):
    """One bank, from its configuration on."""

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
        ending=st.sampled_from([*[None] * 4, *TWINS, *ENDINGS]),
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

    @rule(
        number=PACKS,
        changes=st.lists(words.changes(), min_size=1, max_size=4),
        everybody=st.sampled_from([False, False, True]),
        seconds=st.integers(1, 4),
    )
    def says(self, number: int, changes: list[Plain], everybody: bool, seconds: int) -> None:
        """From now on a pack, or all of them, say something else, and go on for a while."""
        for change in changes:
            for name in self.words if everybody else [self.name(number)]:
                self.words[name].update(change)
        self.runs(seconds, 1_000)

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
        soc_permille=st.sampled_from([1_000, 990]),
    )
    def bank_is_near_full(
        self, volt_mv: int, seconds: int, current_ma: int | None, soc_permille: int
    ) -> None:
        """The bank stays at a voltage for a while: what absorption is made of."""
        for said in self.words.values():
            said.update(voltage_mv=volt_mv, cell_min_mv=3_440, cell_max_mv=3_450, cells_mv=None)
            said.update(soc_permille=soc_permille)
            if current_ma is not None:
                said.update(current_ma=current_ma)
        self.runs(seconds, 2_000 if seconds > 30 else 1_000)
