"""A conversation with a target that the oracle reads along, kept for the story and the vector."""

from collections.abc import Callable

from hypothesis import reject

from conformance.oracle import Breach, Exchange, Oracle, Plain
from conformance.oracle.twins import TWINS, compare, has_run_out

Ask = Callable[[Plain], Plain]

WRAP_MS = 1 << 30


class BreachedError(AssertionError):
    """The target did what it must not; `history` ends with the exchange that shows it."""

    def __init__(self, breach: Breach, history: list[Exchange]) -> None:
        super().__init__(f"{breach.requirement}: {breach.text}")
        self.breach = breach
        self.history = history


def shape(breach: Breach, history: list[Exchange]) -> str:
    """Return what makes two failures alike: the requirement, what was seen, and after what."""
    return f"{breach.requirement} {breach.path or '-'} {history[-1][0].get('op')}"


class Talk:
    """Asks, and raises BreachedError at the first breach.

    `start_ms`: where the counter starts. `only`: a shape; a story that fails in another one is no
    story (so that shrinking does not slip from one failure to the next). Empty: any.
    """

    def __init__(self, ask: Ask, start_ms: int = 0, only: str = "") -> None:
        self._ask = ask
        self._start_ms = start_ms
        self._only = only
        self.oracle = Oracle()
        self.history: list[Exchange] = []
        self.now_ms = 0
        self.samples: dict[str, int] = {}
        self.asked = 0
        self.broken = False  # a breach was found: the story is over
        self.error: BreachedError | None = None  # that ended it

    def ask(self, op: str, **fields: object) -> Plain:
        """Send one request, stamped with the time; return the answer."""
        return self.send({"op": op, "t": self.raw_ms(), **fields})

    def raw_ms(self) -> int:
        """Return the driver's counter."""
        return (self._start_ms + self.now_ms) % WRAP_MS

    def send(self, request: Plain) -> Plain:
        """Send a request as it is; return the answer."""
        answer = self._answer(request)
        self.history.append((request, answer))
        breaches = self.oracle.see(request, answer)
        if breaches:
            raise self.failed(breaches[0])
        return answer

    def failed(self, breach: Breach, history: list[Exchange] | None = None) -> BreachedError:
        """Return the error to raise, unless the failure is not the one that is looked for."""
        self.broken = True
        told = self.history if history is None else history
        if self._only and shape(breach, told) != self._only:
            reject()
        self.error = BreachedError(breach, told)
        return self.error

    def _answer(self, request: Plain) -> Plain:
        self.asked += 1
        try:
            return self._ask(request)
        except Exception as error:  # whatever it is, there was no answer
            self.history.append((request, {}))
            text = f"no answer: {type(error).__name__}: {error}"
            breach = Breach("REQ-PRO-05", self.now_ms, text, "ok", "in", [True, False])
            raise self.failed(breach) from error

    def passes(self, ms: int) -> None:
        """Let time pass."""
        self.now_ms += ms

    def reports(self, pack: str, words: Plain, **fields: object) -> Plain:
        """One new reading of a pack."""
        self.samples[pack] = (self.samples.get(pack, 0) + 1) % 65_536
        return self.ask("report", pack=pack, sample=self.samples[pack], **{**words, **fields})

    def step(self) -> Plain:
        """Step; return the view."""
        view = self.ask("step").get("view")
        return view if isinstance(view, dict) else {}

    def compare_twin(self, name: str) -> None:
        """Hold the conversation again with one thing changed, and compare."""
        if name == "ran_out" and not has_run_out(self.history):
            return
        requests = [request for request, _ in self.history]
        views = _views(self.history)
        twin: list[Exchange] = []
        for request in TWINS[name][0](requests):
            twin.append((request, self._answer(request)))
        for breach in compare(name, views, _views(twin)):
            told = TWINS[name][2] in ("told not above twin", "same at the end")
            kept = _up_to_step(self.history if told else twin, breach.at_ms)  # it counts steps
            raise self.failed(breach, kept)


def _views(history: list[Exchange]) -> list[Plain]:
    views = [answer.get("view") for request, answer in history if request.get("op") == "step"]
    return [view if isinstance(view, dict) else {} for view in views]


def _up_to_step(history: list[Exchange], number: int) -> list[Exchange]:
    """Return a conversation up to its step `number`, counted from 0."""
    places = [at for at, (request, _) in enumerate(history) if request.get("op") == "step"]
    return history[: places[number] + 1]
