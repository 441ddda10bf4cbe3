"""The stories of profile "bus": what can be asked of any bridge over any bus, in real time.

Each is a row of STORIES: a function that tells it with a `Tale`, for the packs and the settings
that the bridge was given. Times follow from those settings. Cases are the vectors' own, so that
they are judged and reported like all others; their expectations are bounds.
"""

from collections.abc import Callable
from typing import Any

from attrs import frozen

from conformance.requirements import level_of
from conformance.vectors import Case, Plain, case_from

AREA = "bus"
EVERY_MS = 1_000
CALM_MS = 4_000  # long enough for what is told to be seen
CHARGE, DISCHARGE = "charge_current_limit_ma", "discharge_current_limit_ma"
LIMITS = (CHARGE, DISCHARGE)  # a charger that gets no current needs no voltage
STOPPED = {"le": 0}, {"eq": False}


class Tale:
    """One story under construction. The last of the packs is the one that things happen to."""

    def __init__(
        self, settings: Plain, healthy: Plain, react_ms: int, tells: frozenset[str]
    ) -> None:
        self.settings, self.healthy = settings, healthy
        self.packs = [str(pack["pack"]) for pack in settings["packs"]]
        self.most_ma: int = healthy[CHARGE]
        self.flow_ma: int = healthy["current_ma"]
        self.steps: list[Plain] = []
        self.react_ms = -(-react_ms // EVERY_MS) * EVERY_MS
        self._tells = tells
        self._now_ms = 0

    def goes_on(
        self,
        lasts_ms: int,
        expect: Plain | None = None,
        name: str = "",
        *,
        all_say: Plain | None = None,
        one_says: Plain | None = None,
        silent: bool = False,
    ) -> None:
        """Let time pass: all packs report, differing from healthy as `all_say` has it, and the last
        as `one_says`; or it is `silent`. `expect` holds all the time; `name` is what was told at
        the end."""
        rows: list[Plain] = [{"pack": pack, **(all_say or {})} for pack in self.packs]
        rows[-1] |= one_says or {}
        self._now_ms += lasts_ms
        step: Plain = {"op": "run", "t": self._now_ms, "reports": rows[:-1] if silent else rows}
        step |= {"name": name} if name else {}
        step["expect"] = {
            f"view.{field}": bound
            for field, bound in (expect or {}).items()
            if field in self._tells
        }
        self.steps.append(step)

    def changes(self, expect: Plain, lasts_ms: int = CALM_MS, **says: Any) -> None:
        """Let something change: the bridge has its time to react, then `expect` holds."""
        self.goes_on(self.react_ms, **says)
        self.goes_on(lasts_ms, expect, **says)

    def noise(self) -> None:
        """Garble what every pack said last."""
        self.steps.append({"op": "line", "text": "noise", "answers": False})

    @property
    def patience_ms(self) -> int:
        """What the witness waits before it is sure."""
        readings: int = self.settings["recovery_samples"]
        return self.react_ms + (3 + readings) * EVERY_MS


def opens(tale: Tale) -> None:
    tale.goes_on(CALM_MS, {CHARGE: {"ge": tale.most_ma // 2}, "charge_allowed": {"eq": True}})


def lowers(tale: Tale) -> None:
    low_ma = tale.most_ma // 5
    most_ma = (len(tale.packs) - 1) * tale.flow_ma + low_ma
    tale.goes_on(CALM_MS)
    tale.changes({CHARGE: {"le": most_ma}}, tale.patience_ms, one_says={CHARGE: low_ma})


def lowers_discharge(tale: Tale) -> None:
    low_ma = tale.most_ma // 5
    out = {"current_ma": -tale.flow_ma}
    # A bridge may count on the assumed ratio of resistances: no more than this is certain.
    tale.goes_on(CALM_MS, all_say=out)
    tale.changes({DISCHARGE: {"le": (len(tale.packs) - 1) * tale.most_ma + low_ma}}, tale.patience_ms,
                 all_say=out, one_says={DISCHARGE: low_ma})  # fmt: skip


def all_lower(tale: Tale) -> None:
    low_ma = tale.most_ma // 10
    says = {"current_ma": 0, CHARGE: low_ma, DISCHARGE: low_ma}
    bound = {"le": low_ma * len(tale.packs)}
    tale.goes_on(CALM_MS)
    tale.changes({CHARGE: bound, DISCHARGE: bound}, tale.patience_ms, all_say=says)


def short_lead(tale: Tale) -> None:
    busy_ma = tale.most_ma * 4 // 5
    most_ma = (len(tale.packs) - 1) * tale.flow_ma + tale.most_ma
    tale.goes_on(CALM_MS)
    tale.changes({CHARGE: {"le": most_ma}}, tale.patience_ms, one_says={"current_ma": busy_ma})


def over_limit(tale: Tale) -> None:
    flow_ma = tale.most_ma * 11 // 10
    most_ma = (len(tale.packs) - 1) * tale.flow_ma + tale.most_ma
    tale.goes_on(CALM_MS)
    tale.changes({CHARGE: {"le": most_ma}}, tale.patience_ms, one_says={"current_ma": flow_ma})


def refuses_charge(tale: Tale) -> None:
    no_ma, may_not = STOPPED
    tale.goes_on(CALM_MS)
    tale.changes({CHARGE: no_ma, "charge_allowed": may_not}, tale.patience_ms,
                 one_says={"charge_allowed": False})  # fmt: skip


def refuses_discharge(tale: Tale) -> None:
    no_ma, may_not = STOPPED
    tale.goes_on(CALM_MS)
    tale.changes({DISCHARGE: no_ma, "discharge_allowed": may_not}, tale.patience_ms,
                 one_says={"discharge_allowed": False})  # fmt: skip


def allows_nothing(tale: Tale) -> None:
    no_ma, may_not = STOPPED
    tale.goes_on(CALM_MS)
    tale.changes({CHARGE: no_ma, "charge_allowed": may_not}, all_say={"current_ma": 0, CHARGE: 0})


def is_late(tale: Tale) -> None:
    less = {CHARGE: tale.most_ma * 3 // 5, DISCHARGE: tale.most_ma * 3 // 5}
    tale.goes_on(CALM_MS, all_say=less)
    # The others' limits rise once the silent pack's last word is surely late: no reason to open.
    late_ms = _whole(tale.settings["fresh_ms"]) + tale.react_ms + 2 * EVERY_MS
    tale.goes_on(late_ms, name="late", all_say=less, silent=True)
    tale.goes_on(CALM_MS, {name: {"not_above": "late"} for name in LIMITS}, silent=True)


def falls_silent(tale: Tale) -> None:
    pack = tale.settings["packs"][-1]
    expect: Plain = {}
    for way, limit in (("charge", CHARGE), ("discharge", DISCHARGE)):
        granted_ma = pack[f"unheard_{way}_current_ma"]
        expect[limit] = {"le": granted_ma}
        expect |= {} if granted_ma else {f"{way}_allowed": {"eq": False}}
    tale.goes_on(CALM_MS)
    tale.goes_on(_whole(tale.settings["unheard_ms"]) + 2 * EVERY_MS, silent=True)
    tale.changes(expect, tale.patience_ms, silent=True)


def short_gap(tale: Tale) -> None:
    tale.goes_on(CALM_MS, None, "before")
    tale.goes_on(max(2 * EVERY_MS, _whole(tale.settings["fresh_ms"] // 2)), silent=True)
    tale.changes({CHARGE: {"not_below": "before"}})


def comes_back(tale: Tale) -> None:
    settings = tale.settings
    tale.goes_on(CALM_MS)
    tale.goes_on(_whole(settings["unheard_ms"]) + 3 * EVERY_MS, silent=True)
    waits_ms = max(settings["reenable_ms"], settings["path_settle_ms"])
    ramp_ms = 1_000_000 // max(1, settings["ramp_permille_per_s"])
    tale.goes_on(settings["recovery_samples"] * EVERY_MS + _whole(waits_ms + ramp_ms))
    tale.changes({CHARGE: {"ge": tale.most_ma // 2}, "charge_allowed": {"eq": True}})


def strictest_voltage(tale: Tale) -> None:
    low_mv = tale.healthy["charge_voltage_limit_mv"] - 1_000
    tale.goes_on(CALM_MS)
    tale.changes({"charge_voltage_limit_mv": {"le": low_mv}}, tale.patience_ms,
                 one_says={"charge_voltage_limit_mv": low_mv})  # fmt: skip


def strictest_low_voltage(tale: Tale) -> None:
    high_mv = tale.healthy["discharge_voltage_limit_mv"] + 1_000
    tale.goes_on(CALM_MS)
    tale.changes({"discharge_voltage_limit_mv": {"ge": high_mv}}, tale.patience_ms,
                 one_says={"discharge_voltage_limit_mv": high_mv})  # fmt: skip


def noise(tale: Tale) -> None:
    less = {CHARGE: tale.most_ma // 2, DISCHARGE: tale.most_ma // 2}
    tale.changes({}, all_say=less)
    tale.goes_on(CALM_MS, None, "before", all_say=less)
    for _ in range(5):
        tale.noise()
        tale.goes_on(EVERY_MS, {name: {"not_above": "before"} for name in LIMITS}, all_say=less)
    tale.goes_on(CALM_MS, {name: {"not_above": "before"} for name in LIMITS}, all_say=less)


def _whole(ms: int) -> int:
    """Return a time in whole reports."""
    return -(-ms // EVERY_MS) * EVERY_MS


@frozen
class Story:
    """`hears`, `tells`: fields that packs must be able to say, and chargers to hear; of `tells`
    any one will do. `several`: it takes more than one pack."""

    id: str
    title: str
    requirements: tuple[str, ...]
    catches: str
    harm: str
    tell: Callable[[Tale], None]
    hears: tuple[str, ...] = ()
    tells: tuple[str, ...] = (CHARGE,)
    several: bool = False


BASE = (CHARGE, "current_ma")
STORIES = (
    Story("BUS-001", "A healthy bank is opened", ("REQ-LIM-20",),
          "a bridge that never allows anything", "a dark house beside full packs", opens, BASE),
    Story("BUS-002", "A pack lowers its limit", ("REQ-LIM-15", "REQ-LIM-05"),
          "a limit that falls late, or by the pack's part of a sum only",
          "its board trips, and the others take its part in a moment", lowers, BASE),
    Story("BUS-003", "All packs lower their limits", ("REQ-LIM-01", "REQ-LIM-15"),
          "a limit above the sum of the packs' own", "every board trips", all_lower, BASE,
          (CHARGE, DISCHARGE)),
    Story("BUS-004", "A pack lowers its discharge limit", ("REQ-LIM-01", "REQ-LIM-27"),
          "directions mixed up, or a discharge limit that is not passed on",
          "its board trips under the loads", lowers_discharge, (DISCHARGE, "current_ma"),
          (DISCHARGE,)),
    Story("BUS-005", "The shortest lead takes most", ("REQ-LIM-05",),
          "limits that are simply added up", "the pack with the shortest lead is overloaded", short_lead,
          BASE, several=True),
    Story("BUS-006", "A pack carries more than it may", ("REQ-LIM-17",),
          "a limit above the present total while a pack is over its own",
          "the overload goes on until its board trips", over_limit, BASE),
    Story("BUS-007", "A pack refuses charge", ("REQ-LIM-04", "REQ-LIM-06"),
          "a refusal that is outvoted, or told too late", "a full or frozen pack is charged on",
          refuses_charge, ("charge_allowed",), (CHARGE, "charge_allowed")),
    Story("BUS-008", "A pack refuses discharge", ("REQ-LIM-04", "REQ-LIM-06"),
          "a refusal that is outvoted, or told too late", "an empty pack is emptied on",
          refuses_discharge, ("discharge_allowed",), (DISCHARGE, "discharge_allowed")),
    Story("BUS-009", "Limits of 0, and still permitted", ("REQ-LIM-06", "REQ-LIM-15"),
          "a permission beside a limit of 0", "a charger that reads only the permission charges",
          allows_nothing, BASE, (CHARGE, "charge_allowed")),
    Story("BUS-010", "A pack is late", ("REQ-SIL-02", "REQ-SIL-03"),
          "a late pack that is dropped, so that the others' limits rise",
          "the others' room may be this one's overload", is_late, BASE, (CHARGE, DISCHARGE)),
    Story("BUS-011", "A pack falls silent", ("REQ-SIL-04", "REQ-LIM-06"),
          "a silent pack that is dropped from the sum, or kept for ever",
          "nobody knows what the silent pack carries, or whether it is too hot", falls_silent, BASE,
          (CHARGE, DISCHARGE)),
    Story("BUS-012", "A short gap stops nothing", ("REQ-SIL-14",),
          "a bridge that stops for one lost frame", "owners switch the check off", short_gap, BASE),
    Story("BUS-013", "A silent pack comes back", ("REQ-SIL-14",),
          "a bridge that never opens again", "somebody has to restart it at night", comes_back, BASE),
    Story("BUS-014", "The strictest charge voltage", ("REQ-LIM-02",),
          "a mean or the highest of the packs' voltages", "the most sensitive pack is overcharged",
          strictest_voltage, ("charge_voltage_limit_mv",), ("charge_voltage_limit_mv",)),
    Story("BUS-015", "The strictest discharge voltage", ("REQ-LIM-03",),
          "a mean or the lowest of the packs' voltages", "the most sensitive pack is emptied",
          strictest_low_voltage, ("discharge_voltage_limit_mv",), ("discharge_voltage_limit_mv",)),
    Story("BUS-016", "Noise on the packs' buses", ("REQ-SIL-03", "REQ-PRO-06"),
          "half a message that is taken for a whole one", "a garbled limit becomes a high one", noise,
          BASE),
)  # fmt: skip


def stories(
    settings: Plain, healthy: Plain, react_ms: int, tells: frozenset[str]
) -> tuple[Case, ...]:
    """Return the cases for a bank. `settings`: BankSettings as JSON; `healthy`: the fields of a
    report in which all is well; `tells`: the fields of the view that chargers hear."""
    cases = []
    for story in STORIES:
        tale = Tale(settings, healthy, react_ms, tells)
        story.tell(tale)
        heard = [name for name in story.tells if name in tells] or [story.tells[0]]
        needs = [f"{name} from its packs" for name in story.hears]
        needs += [f"{name} to its chargers" for name in heard]
        plain = {
            "id": story.id, "title": story.title, "level": level_of(story.requirements),
            "requirements": list(story.requirements), "catches": story.catches,
            "harm": story.harm, "needs": [*needs, *(["several packs"] if story.several else [])],
            "steps": tale.steps,
        }  # fmt: skip
        cases.append(case_from(plain, AREA, settings, healthy))
    return tuple(cases)
