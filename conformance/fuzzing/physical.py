"""Mode "physical": the loop is closed. A bank with fixed, unknown shares follows the limits.

Chargers take what the sun gives up to the charge limit, loads what they want up to the discharge
limit, a second after it was said. Then no pack may ever carry more than its own limit, whatever
its share, while readings get lost and come late.
"""

from fractions import Fraction

from hypothesis import strategies as st

from conformance.fuzzing.acts import Acting, initialize, rule
from conformance.fuzzing.talk import Talk
from conformance.fuzzing.words import HEALTHY, NAMES
from conformance.oracle import Plain
from conformance.oracle.physical import Parallel, overload

RATIO = 4  # no pack has more than so many times the resistance of another: the default assumption
AMPERE = 1_000


@st.composite
def banks(draw: st.DrawFn) -> Parallel:
    """Return a bank: at no total, every pack is within two fifths of its limits."""
    count = draw(st.integers(2, 4))
    limits = [draw(st.integers(20, 120)) * AMPERE for _ in range(count)]
    most = min(limits) * 2 // 5 // max(1, count - 1)
    circulating = [draw(st.integers(-most, most)) for _ in range(count - 1)]
    return Parallel(
        NAMES[:count],
        tuple(draw(st.integers(10, 10 * RATIO)) for _ in range(count)),
        (*circulating, -sum(circulating)),
        tuple(limits),
        tuple(limits),
    )


class PhysicalMachine(Acting):
    """One bank in the loop."""

    def __init__(self) -> None:
        super().__init__()
        self.talk = Talk(type(self).ask, only=type(self).only)
        self.bank = Parallel((), (), (), (), ())
        self.total_ma = Fraction(0)
        self.offered_ma = 0  # by the sun; negative: wanted by the loads
        self.lost: set[str] = set()
        self.view: Plain = {}

    @initialize(bank=banks(), ramp=st.sampled_from([1_000, 200, 50]))
    def is_configured(self, bank: Parallel, ramp: int) -> None:
        """A reset, and a minute of sun: the loop has opened."""
        self.bank = bank
        settings: Plain = {
            "packs": [{"pack": name, "capacity_mah": 200_000} for name in bank.names],
            "margin_permille": 0,
            "ramp_permille_per_s": ramp,
            "reenable_ms": 5_000,
            "path_settle_ms": 5_000,
            "settle_ms": 5_000,
        }
        self.talk.ask("reset", settings=settings)
        self.offers(600, 60)

    @rule(amperes=st.integers(-600, 600), seconds=st.integers(1, 40))
    def offers(self, amperes: int, seconds: int) -> None:
        """The sun offers, or the loads want, so much for a while."""
        self.offered_ma = amperes * AMPERE
        for _ in range(seconds):
            self._second()

    @rule(number=st.integers(0, 3), seconds=st.integers(1, 35))
    def loses_reports(self, number: int, seconds: int) -> None:
        """A pack's reports are lost for a while; it stays on the bus."""
        self.lost = {self.bank.names[number % len(self.bank.names)]}
        self.offers(self.offered_ma // AMPERE, seconds)
        self.lost = set()

    @rule(amperes=st.integers(0, 600), seconds=st.integers(5, 40), slow=st.integers(0, 3))
    def clouds(self, amperes: int, seconds: int, slow: int) -> None:
        """The sun comes and goes every two seconds."""
        for second in range(seconds):
            self.offered_ma = amperes * AMPERE if second // (1 + slow) % 2 else 0
            self._second()

    def _second(self) -> None:
        """Packs report what flows; a step; chargers and loads follow; does a pack suffer?"""
        self.talk.passes(1_000)
        for name, current in zip(
            self.bank.names, self.bank.currents_ma(self.total_ma), strict=True
        ):
            if name not in self.lost:
                self.talk.reports(name, self._words(name, int(current)))
        self.view = self.talk.step()
        limits = [self.view.get(f"{side}_current_limit_ma") for side in ("charge", "discharge")]
        most, least = (value if isinstance(value, int) else 0 for value in limits)
        self.total_ma = Fraction(max(-least, min(most, self.offered_ma)))
        breach = overload(self.bank, self.total_ma, self.talk.now_ms)
        if breach is not None:
            raise self.talk.failed(breach)

    def _words(self, name: str, current_ma: int) -> Plain:
        at = self.bank.names.index(name)
        return {
            **HEALTHY,
            "current_ma": current_ma,
            "charge_current_limit_ma": self.bank.charge_limits_ma[at],
            "discharge_current_limit_ma": self.bank.discharge_limits_ma[at],
        }
