"""One deliberate mistake for each theorem: one line of the core, or of an assumption, made wrong."""

import inspect
import textwrap
from contextlib import AbstractContextManager
from typing import Any
from unittest import mock

from aggregator import derate, direction, drift, headroom, limits, loss
from aggregator.bank import Bank
from aggregator.direction import Direction
from aggregator.ramp import Limit
from aggregator.reference import Reference
from aggregator.voltage import VoltageSide
from conformance.proof import currents
from conformance.proof.rows import Rows


def sabotaged(owner: Any, name: str, old: str, new: str) -> AbstractContextManager[object]:
    """Replace `old` by `new` in the source of `owner.name`, for as long as the context lasts."""
    function = getattr(owner, name)
    source = textwrap.dedent(inspect.getsource(function))
    assert source.count(old) == 1, f"{name}: {source.count(old)} times {old!r}"
    made: dict[str, Any] = {}
    exec(compile(source.replace(old, new), f"sabotaged {name}", "exec"), function.__globals__, made)
    return mock.patch.object(owner, name, made[name])


# theorem, where, function, what stands there, what it is replaced by
MISTAKES = (
    ("contributions", Direction, "add_up", "= sum(self.contribution_ma)", "= sum(self.limit_ma)"),
    ("earlier-alone", Reference, "safe_total_ma", "inverse_permille // 100", "inverse_permille // 99"),
    ("earlier", Reference, "safe_total_ma", "min(self.room_ma)", "max(self.room_ma)"),
    ("earlier", Reference, "learned_total_ma", "range(len(self.room_ma))", "range(1)"),
    ("rooms-follow", Direction, "_bind", "self.quiet.room_ma[i] += grown_ma", "self.quiet.room_ma[i] -= grown_ma"),
    ("assumed-share", headroom, "_assumed_permille", "count - 1", "count"),
    ("widest", headroom, "_widest", "10 if shares.learned", "11 if shares.learned"),
    ("widest", Reference, "counts", "self.valid and min(self.room_ma) >= 0", "self.valid"),
    ("widest", headroom, "_widest", "safe_total_ma(1_000)", "safe_total_ma(_assumed_permille(side))"),
    ("widest", headroom, "_widest", "if side.learns and shares.learned", "if side.learns"),
    ("headroom", headroom, "survey", "room_ma = min(side.room_ma)", "room_ma = max(side.room_ma)"),
    ("headroom", headroom, "survey", "sum(side.flow_ma)", "sum([max(0, ma) for ma in side.flow_ma])"),
    ("ages", headroom, "survey", "room_ma = min(side.room_ma)", "room_ma = sum(side.room_ma)"),
    ("steady", headroom, "_keep_steady", "side.steady.take(side.window_low_ma", "side.steady.take(side.window_high_ma"),
    ("lower-limit", headroom, "survey", "_widest(side, room_ma, shares)", "_widest(side, room_ma, shares) - room_ma"),
    ("silence", headroom, "survey", "min(side.grant_ma) if", "max(side.grant_ma) if"),
    ("silence", headroom, "survey", "if side.some_unheard or missing:", "if missing:"),
    ("alone-lowered", Reference, "safe_total_ma", "+ min(self.room_ma)", "- min(self.room_ma)"),
    ("earlier-lowered", Reference, "learned_total_ma", "least_ma = min(least_ma,", "least_ma = max(-least_ma,"),
    ("back-off", headroom, "_back_off", "total_ma + room_ma)", "total_ma)"),
    ("widest-lowered", headroom, "_widest", "side.total_ma + room_ma", "side.total_ma - room_ma"),
    ("pack-loss", loss, "_carried_ma", "- flow_ma + room_ma", "+ room_ma"),
    ("caps", Limit, "settle", "self.value = min(self.caps)", "self.value = max(self.caps)"),
    ("permission", limits, "_tell", "view.charge_allowed = side.limit.value > 0", "view.charge_allowed = side.limit.value >= 0"),
    ("permission", limits, "_denied", "caps[number] == 0", "caps[number] < 0"),
    ("voltage-caps", limits, "settle_voltage", "rules[number][1](side)", "rules[0][1](side)"),
    ("derating", derate, "along", "return low + (high - low)", "return high + (high - low)"),
    ("usable", direction, "reliable_ma", "max(0, left_ma - settings.sensor_tolerance_ma)", "left_ma - settings.sensor_tolerance_ma"),
    ("usable", Direction, "usable_ma", "left_ma * self.way.by_cell", "(1_000_000 - left_ma) * self.way.by_cell"),
    ("kept-back", drift, "kept_back_ma", "max(0, min(beyond_ma,", "max(1, min(beyond_ma,"),
    ("rows", Direction, "enter", "limit_ma -= kept_back_ma(", "limit_ma += kept_back_ma("),
    ("rows", Direction, "enter", "and not refuses and not pack.withheld", "and not refuses"),
    ("rows", Direction, "enter", "usable_ma if adds", "1_000_000 - usable_ma if adds"),
    ("rows", Direction, "enter", "0 if no else min(limit_ma", "min(limit_ma"),
    ("presence", Bank, "note_presence", "unheard_pack >= 0", "unheard_pack > 0"),
    ("voltage-rows", VoltageSide, "enter", "else self.sign * own_mv", "else own_mv"),
    ("member-voltages", VoltageSide, "survey", "min(self.own_mv)", "max(self.own_mv)"),
    ("stricter-voltage", VoltageSide, "survey", "min(self.own_mv)", "(min if self.own_mv[0] > 0 else max)(self.own_mv)"),
    # What a theorem assumes is needed.
    ("headroom", Rows, "within_limits", "if row.kind != OPEN:", "if row.kind == 'nobody':"),
    ("headroom", currents, "takes", "part <= whole", "part <= 2 * whole"),
)  # fmt: skip
