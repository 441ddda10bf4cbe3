"""The end of a story: all is well again, but for one thing. Is the bridge of use then?

What the oracle says along the way are bounds, which a bridge that allows nothing meets. These
endings ask for the other half: what was closed opens, what was silent comes back, and a day is
served. Each takes about a minute, in which every timer of the settings in words.py runs out.
"""

from collections.abc import Callable

from conformance.fuzzing.talk import Talk
from conformance.fuzzing.words import HEALTHY
from conformance.oracle import Breach, Plain
from conformance.oracle.site import REMOVED, UNHEARD, path_open, usable_ma

SIDES = ("charge", "discharge")
MOVING_S, STILL_S = 30, 45  # readings move a little, then stand still: a quiet night
Words = dict[str, Plain]


def rest(talk: Talk, packs: Words, ending: str) -> None:
    """Come to rest, and raise BreachedError if the bridge is of no use then."""
    _clear(talk)
    for said in packs.values():
        said.clear()
        said.update(HEALTHY)
    _run(talk, packs, MOVING_S, moving=True)
    requirement, happens = ENDINGS[ending]
    happens(talk, packs)
    if ending not in ON_THE_WAY:
        _must_be_open(talk, requirement)


def _clear(talk: Talk) -> None:
    """The owner takes every wish back; a withheld pack is restored."""
    for wish in list(talk.oracle.known.wishes):
        if wish.kind == "withhold_pack":
            talk.ask("request", kind="restore_pack", pack=wish.pack)
        else:
            talk.ask("request", kind="clear", field=wish.kind, source=wish.source)


def _run(
    talk: Talk,
    packs: Words,
    seconds: int,
    every_s: int = 1,
    silent: str = "",
    bus: bool = False,
    moving: bool = False,
) -> set[object]:
    """Let time pass; return the stages seen. `every_s`: between two reports of a pack; `moving`: at
    rest, but for a millivolt."""
    stages = set()
    for second in range(seconds):
        talk.passes(1_000)
        for name in sorted(packs) if second % every_s == 0 else ():
            if name != silent:
                moves = {"voltage_mv": 53_000 + second % 2} if moving else {}
                talk.reports(name, {**packs[name], **moves})
        if bus:
            talk.ask("bus", sample=(10 + talk.now_ms // 1_000) % 65_536, current_ma=0)
        stages.add(talk.step().get("stage"))
    return stages


def _breach(
    talk: Talk, requirement: str, text: str, path: str, operator: str, bound: object
) -> None:
    breach = Breach(requirement, talk.oracle.known.now_ms, text, path, operator, bound)
    raise talk.failed(breach)


def _must_be_open(talk: Talk, requirement: str) -> None:
    """Both limits are at least half of what the tightest pack and every ceiling leave."""
    known = talk.oracle.known
    assert known.settings is not None
    for side in SIDES:
        zero_ma, margin = known.settings.zero_current_ma, known.settings.margin_permille
        caps = [
            usable_ma(pack, side, margin)
            for pack in known.packs
            if pack.presence != REMOVED and not path_open(pack, side, zero_ma)
        ]
        caps += known.wished(f"cap_{side}_current")
        ceiling = getattr(known.settings, side + "_current_ceiling_ma")
        caps += [] if ceiling is None else [ceiling]
        for pack in known.some(UNHEARD):
            caps.append(getattr(pack.settings, f"unheard_{side}_current_ma"))
        flows = [abs(pack.number("current_ma") or 0) for pack in known.packs]
        least = 1 if any(flows) else int(min(caps)) // 2
        field = side + "_current_limit_ma"
        got = known.view.get(field)
        if not isinstance(got, int) or got < least:
            text = f"{field} is {got} although all is well; {least} would be of use"
            _breach(talk, requirement, text, "view." + field, "ge", least)
    if talk.ask("may_speak").get("may_speak") is False:
        _breach(talk, "REQ-SIL-14", "a healthy bridge may not speak", "may_speak", "eq", True)


# The endings: what is not as always. Where one pack is meant it is the last one, which is never wired to
# the board itself (own_packs), where a setting lets its refusal stop the bank.


def _all_is_well(talk: Talk, packs: Words) -> None:
    _run(talk, packs, STILL_S)


def _path_is_open(talk: Talk, packs: Words) -> None:
    if len(packs) > 1:
        open_ = {f"{side}_path_closed": False for side in SIDES}
        packs[max(packs)].update(open_, charge_allowed=False, discharge_allowed=False)
    _run(talk, packs, STILL_S)


def _silent_with_a_grant(talk: Talk, packs: Words) -> None:
    name = max(packs)
    settings = talk.oracle.known.pack(name).settings
    granted = max(settings.unheard_charge_current_ma, settings.unheard_discharge_current_ma)
    _run(talk, packs, STILL_S + 20, silent=name if granted and len(packs) > 1 else "")


def _removed(talk: Talk, packs: Words) -> None:
    name = max(packs) if len(packs) > 1 else ""
    _run(talk, packs, 20, silent=name)
    if name:
        talk.ask("request", kind="declare_removed", pack=name)
    _run(talk, packs, STILL_S, silent=name)


def _cool_morning(talk: Talk, packs: Words) -> None:
    for said in packs.values():
        said.update(temperature_min_decic=77)
    _run(talk, packs, STILL_S)


def _a_report_every_two_seconds(talk: Talk, packs: Words) -> None:
    _run(talk, packs, STILL_S, every_s=2)


def _meter_for_one(talk: Talk, packs: Words) -> None:
    packs[max(packs)].update(current_ma=None)
    _run(talk, packs, 10, bus=True)
    _run(talk, packs, 10)  # the meter fell silent
    _run(talk, packs, STILL_S, bus=True)


def _asked_again(talk: Talk, packs: Words) -> None:
    for value in (1, 60_000):
        for side in SIDES:
            talk.ask("request", kind=f"cap_{side}_current", value=value, source="phone")
    _run(talk, packs, STILL_S)


def _currents_swing(talk: Talk, packs: Words) -> None:
    for second in range(STILL_S):
        for said in packs.values():
            said.update(current_ma=4_000 * (second % 2))
        _run(talk, packs, 1)


def _loads(talk: Talk, packs: Words) -> None:
    _run(talk, packs, STILL_S)
    for said in packs.values():
        said.update(current_ma=-70_000)
    _run(talk, packs, 5)


def _sun(talk: Talk, packs: Words) -> None:
    _run(talk, packs, STILL_S)
    for said in packs.values():
        said.update(current_ma=70_000)
    _run(talk, packs, 5)


def _day(talk: Talk, packs: Words, **said: object) -> None:
    """The voltage is held, or a cell has arrived: absorption is served, and float follows."""
    known = talk.oracle.known
    assert known.settings is not None
    timer = known.settings.stages.absorption_mode == "timer"
    _run(talk, packs, STILL_S)
    for words in packs.values():
        words.update(said)
    longest = known.stage_number("absorption_ms" if timer else "absorption_max_ms") or 0
    needed_ms = (known.stage_number("dwell_ms") or 0) + longest + 5_000
    if "float" not in _run(talk, packs, needed_ms // 1_000):
        text = f"no float within {needed_ms // 1_000} s of a full bank"
        stages = ["float"]
        _breach(talk, "REQ-STG-09", text, "view.stage", "in", stages)


FULL: Plain = {
    "voltage_mv": 55_200,
    "current_ma": 2_000,
    "cell_min_mv": 3_440,
    "cell_max_mv": 3_450,
}


def _full_bank(talk: Talk, packs: Words) -> None:
    _day(talk, packs, **FULL)
    for said in packs.values():
        said.update(voltage_mv=53_000)  # a load for a moment
    _run(talk, packs, 10)


def _held_back(talk: Talk, packs: Words) -> None:
    """The owner allows 1 A, so a small current is no sign of a full bank."""
    _run(talk, packs, STILL_S)
    talk.ask("request", kind="cap_charge_current", value=1_000, source="phone")
    for said in packs.values():
        said.update(FULL, current_ma=500)
    _run(talk, packs, 35)


def _withheld(talk: Talk, packs: Words) -> None:
    """A pack that is withheld adds nothing, and binds, at rest and while current flows; when it is
    restored, and no other pack has a path, all that the bank may do is what it adds."""
    name = max(packs)
    talk.ask("request", kind="withhold_pack", pack=name, source="phone")
    limits = {f"{side}_current_limit_ma": 10_000 for side in SIDES}
    for said, current_ma in ((limits, 0), (HEALTHY, 50_000)):
        packs[name].update(said)
        for words in packs.values():
            words.update(current_ma=current_ma)
        _run(talk, packs, 25)
    talk.ask("request", kind="restore_pack", pack=name)
    for other, words in packs.items():
        paths = {f"{side}_path_closed": other == name for side in SIDES}
        words.update(current_ma=0, **paths)
    _run(talk, packs, STILL_S)


def _window(talk: Talk, packs: Words) -> None:
    """The owner's window ends within the bank's charge; then the pack that is full, or empty, falls
    silent, and what it said counts on, if something is granted for it at all."""
    talk.ask("request", kind="top_soc_permille", value=400, source="phone")
    talk.ask("request", kind="reserve_soc_permille", value=100, source="wall")
    for others, last in ((300, 1_000), (150, 0)):
        for name, said in packs.items():
            said.update(soc_permille=last if name == max(packs) else others)
        _run(talk, packs, STILL_S)
        _run(talk, packs, 20, silent=max(packs) if len(packs) > 1 else "")


def _high_cell(talk: Talk, packs: Words) -> None:
    _day(talk, packs, cell_max_mv=3_520)


def _trouble(talk: Talk, packs: Words) -> None:
    """The board's own pack refuses; one is above its limit for a moment; one is late."""
    home, away = packs[min(packs)], packs[max(packs)]
    home.update(charge_allowed=False, charge_path_closed=False)
    _run(talk, packs, 3)
    home.update(HEALTHY)
    _run(talk, packs, STILL_S)
    away.update(charge_current_limit_ma=40_000, discharge_current_limit_ma=40_000)
    for amperes in (50, 30, -50, -30):
        for said in packs.values():
            said.update(current_ma=1_000 * amperes)
        _run(talk, packs, 4)
    for said in packs.values():
        said.update(HEALTHY)
    talk.ask("request", kind="cap_charge_current", value=1_000, source="phone")
    _run(talk, packs, 8, silent=max(packs))
    talk.ask("request", kind="clear", field="cap_charge_current", source="phone")
    _run(talk, packs, 3, silent=max(packs))


Happens = Callable[[Talk, Words], None]
# what is not as always: the requirement that asks to carry on, and what happens
ENDINGS: dict[str, tuple[str, Happens]] = {
    "all is well": ("REQ-LIM-20", _all_is_well),
    "a path is open": ("REQ-LIM-23", _path_is_open),
    "silent with a grant": ("REQ-SIL-14", _silent_with_a_grant),
    "a pack was removed": ("REQ-LIM-23", _removed),
    "a cool morning": ("REQ-LIM-20", _cool_morning),
    "a report every two seconds": ("REQ-SIL-14", _a_report_every_two_seconds),
    "a meter stands in": ("REQ-LIM-20", _meter_for_one),
    "asked again": ("REQ-WSH-10", _asked_again),
    "currents swing": ("REQ-SIL-15", _currents_swing),
    "loads": ("REQ-LIM-21", _loads),
    "sun": ("REQ-LIM-21", _sun),
    "a full bank": ("REQ-STG-09", _full_bank),
    "one high cell": ("REQ-STG-10", _high_cell),
    "our own limit holds back": ("REQ-STG-13", _held_back),
    "a pack is withheld": ("REQ-WSH-06", _withheld),
    "a window": ("REQ-WSH-07", _window),
    "trouble": ("REQ-LIM-20", _trouble),
}
# Those that are judged by what happens on the way, not by how open the bank is at the end.
ON_THE_WAY = (
    "a full bank",
    "one high cell",
    "our own limit holds back",
    "a window",
    "trouble",
)
