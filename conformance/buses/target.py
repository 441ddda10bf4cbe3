"""A bridge that is reached through real buses, as a target of the kit.

Less can be asked than over the driver protocol. A reset cannot set anything: it plays healthy packs
until the bridge has settled. Time is real. A step returns what the chargers have been told, which
may be as little as one limit. A raw line becomes noise on the buses. Why is not to be had.
"""

from collections.abc import Callable
from time import monotonic, sleep
from typing import Any, Protocol

from conformance.buses.witness import Witness
from conformance.oracle import Breach
from conformance.targets import Target, TargetError

Plain = dict[str, Any]

EVERY_MS = 1_000  # how often packs report
STEADY_STEPS = 4  # so long unchanged, what is told has settled
SILENT_MS = 15_000  # a bridge that tells a charger nothing for so long is not there
OPENS_MS = 60_000  # REQ-LIM-20: and so much for ramps beside its own waiting times
DITHER_PERMILLE = 10  # of charge, which limits nothing: a live reading never stands still


class Rig(Protocol):
    """The buses around a bridge."""

    name: str
    settings: Plain  # BankSettings as JSON: what the bridge was given
    react_ms: int  # how long the bridge and the buses may take to pass a change on
    lasts_ms: int  # how long a pack goes on saying a report
    healthy: Plain  # the fields of a report in which all is well
    tells: frozenset[str]  # the fields of the view that chargers hear
    carries: frozenset[str]  # the fields that every pack's map can say

    def open(self) -> None:
        """Open the buses. Raises OSError: one line."""

    def close(self) -> None:
        """Close them; never raises."""

    def play(self, report: Plain) -> Plain:
        """Let a pack say a report for `lasts_ms`; return what of it the bus carries, as a
        listener reads it. Raises OSError: a bus is lost."""

    def noise(self) -> None:
        """Let every pack's line garble what was said on it last."""

    def told(self) -> Plain | None:
        """Return what the chargers are told; None: the bridge has not said anything yet.

        A field is None where a charger is told nothing and goes by its own settings.
        """

    def silent_ms(self) -> int:
        """Return how long some charger has been told nothing."""

    def trouble(self) -> str:
        """Return what stops the rig from playing or hearing, in words; empty: nothing."""


class BusTarget(Target):
    """A bridge behind a rig."""

    def __init__(
        self,
        rig: Rig,
        now_s: Callable[[], float] = monotonic,
        wait: Callable[[float], object] = sleep,
    ) -> None:
        super().__init__(rig.name, _no_link)
        self._rig = rig
        self._now_s, self._wait = now_s, wait
        self._open = False
        self._settled = False  # once since it was opened
        self._gets_open: bool | None = None  # is it ever opened by healthy packs?
        self._samples: dict[str, int] = {}
        self.witness = Witness(rig.settings, rig.tells, rig.react_ms + rig.lasts_ms)

    def ask(self, request: Plain) -> Plain:
        """Do what a request means here, and answer it. Raises TargetError."""
        operations: dict[object, Callable[[Plain], Plain]] = {
            "hello": self._hello,
            "reset": self._reset,
            "report": self._report,
            "step": self._step,
            "bye": lambda _: {"ok": True},
        }
        does = operations.get(request.get("op"))
        if does is None:
            return {"ok": False, "error": "unsupported"}
        if not self._open:
            self.reopen()
        try:
            return does(request)
        except OSError as error:
            raise TargetError(str(error)) from None

    def exchange(self, line: bytes) -> Plain:
        """A line is noise here, and noise has no answer."""
        self.tell(line)
        return {"ok": False, "error": "unsupported"}

    def tell(self, line: bytes) -> None:
        """Make noise on the packs' buses."""
        self._rig.noise()
        self.witness.noise()

    def reopen(self) -> None:
        """Open the buses anew. Raises TargetError."""
        self.close()
        try:
            self._rig.open()
        except OSError as error:
            raise TargetError(str(error)) from None
        self._open, self._settled = True, False
        self.witness.start(self._now_ms())

    def close(self) -> str:
        """Leave the buses."""
        if self._open:
            self._open = False
            self._rig.close()
        return ""

    def breach(self) -> Breach | None:
        """Return what the witness found in the last step."""
        return self.witness.breach

    def story(self, breach: Breach) -> str:
        """Return what happened, in words."""
        return self.witness.story(breach)

    def _hello(self, _: Plain) -> Plain:
        tells = [f"{name} to its chargers" for name in sorted(self._rig.tells)]
        hears = [f"{name} from its packs" for name in sorted(self._rig.carries)]
        several = ["several packs"] if len(self._rig.settings["packs"]) > 1 else []
        return {"ok": True, "name": "a bridge", "version": "on its buses",
                "supports": ["limits", *several, *hears, *tells]}  # fmt: skip

    def _report(self, request: Plain) -> Plain:
        said = {key: value for key, value in request.items() if key not in ("op", "t")}
        pack = str(said["pack"])
        sample = said["sample"] = self._samples[pack] = (self._samples.get(pack, 0) + 1) % 65_536
        if (said.get("soc_permille") or 0) >= DITHER_PERMILLE:
            said["soc_permille"] -= DITHER_PERMILLE * (sample % 2)
        carried = self._rig.play(said)
        self.witness.heard(request, carried, self._now_ms())
        return {"ok": True}

    def _step(self, request: Plain) -> Plain:
        trouble = self._rig.trouble()
        if trouble:
            raise TargetError(trouble)
        if self._rig.silent_ms() > SILENT_MS:
            raise TargetError(
                f"the bridge told a charger nothing for {SILENT_MS // 1_000} s:"
                " is it running, and is it on these buses?"
            )
        view = self._rig.told() or dict.fromkeys(self._rig.tells)
        answer = {"ok": True, "view": view}
        self.witness.stepped(request, answer, self._now_ms())
        return answer

    def _reset(self, _: Plain) -> Plain:
        """Play healthy packs until what is told has settled. Raises TargetError: nothing is told."""
        settings, began_ms = self._rig.settings, self._now_ms()
        waits_ms = max(settings["reenable_ms"], settings["path_settle_ms"])
        least_ms = 0 if self._settled else settings["reenable_ms"] + 5 * EVERY_MS
        most_ms = waits_ms + (OPENS_MS if self._gets_open is not False else 0)
        steady, last, turn = 0, None, 0
        while True:
            for pack in settings["packs"]:
                self._report({"op": "report", "pack": pack["pack"], **self._rig.healthy})
            view = self._step({"op": "step"})["view"]
            gone_ms = self._now_ms() - began_ms
            steady = steady + 1 if view == last else 0
            last = view
            is_open = _opened(view)
            if gone_ms >= most_ms or (gone_ms >= least_ms and is_open and steady >= STEADY_STEPS):
                self._gets_open, self._settled = is_open, True
                self.witness.begin()
                return {"ok": True}
            turn += 1
            self._wait(max(0.0, (began_ms + turn * EVERY_MS - self._now_ms()) / 1_000))

    def _now_ms(self) -> int:
        return int(self._now_s() * 1_000)


def _opened(view: Plain) -> bool:
    """Is every direction open that chargers are told of?"""
    return all(value is not None and value is not False and value != 0 for value in view.values())


def _no_link() -> Any:
    raise OSError("buses have no link")
