"""Model 802: the bank as one battery. Pure functions of a view.

Limits go to their safe side: VMax, AChaMax and ADisChaMax down, VMin up. No point says "not allowed":
a current limit of 0 is that, and when both are 0 the inverter is asked to stop, too.

The library opens no contactor, so State never says DISCONNECTED, whatever was asked: somebody could
take that for a dead bus. A bank that allows nothing is in STANDBY.
"""

from collections.abc import Collection

from attrs import frozen

from adapters.sunspec.points import Value
from adapters.sunspec.ratings import MILLI, Ratings, limit, signed, unsigned
from aggregator import PackRow, SystemView

LITHIUM_ION = 4
CONNECT, DISCONNECT = 1, 2
NO_REQUEST, STOP = 0, 2
INITIALIZING, CONNECTED, STANDBY, SOC_PROTECTION, FAULT = 2, 3, 4, 5, 99
OFF, EMPTY, DISCHARGING, CHARGING, FULL, HOLDING = 1, 2, 3, 4, 5, 6
REMOTE, LOCAL = 0, 1
COMMUNICATION_ERROR = 1 << 0
VOLTS, CELL_VOLTS, PERCENT = -2, -3, -1  # scale factors that suit every bank

RESTING_MA = 500  # less is neither charging nor discharging (common practice, no source)
TEMPERATURES = ("board_over_temperature", "charge_over_temperature", "discharge_over_temperature")
# Evt1: bit of the alarm, bit of the warning, our names.
EVENTS: tuple[tuple[int, int, tuple[str, ...]], ...] = (
    (1, 2, TEMPERATURES),
    (3, 4, ("charge_under_temperature", "discharge_under_temperature")),
    (5, 6, ("charge_over_current",)),
    (7, 8, ("discharge_over_current", "short_circuit")),
    (9, 10, ("cell_over_voltage", "pack_over_voltage")),
    (11, 12, ("cell_under_voltage", "pack_under_voltage")),
    (17, 17, ("cell_imbalance",)),
    (25, 26, ("internal_fault", "other")),
)


@frozen(kw_only=True)
class Controls:
    """What the other side has written, and our heartbeat."""

    beat: int = 0
    controller_beat: int = 0
    set_operation: int | None = None  # None: nothing was written since the start
    set_inverter_state: int | None = None
    obeys: bool = True


def values(
    view: SystemView, packs: list[PackRow], ratings: Ratings, controls: Controls, silent: bool
) -> dict[str, Value]:
    """Return the points, raw. `silent`: we may not speak, so no current is allowed."""
    charge, discharge = limits(view, ratings, silent)
    soc = view.soc_permille
    return {
        "AHRtg": limit(ratings.capacity_mah, MILLI, ratings.charges),
        "WHRtg": limit(ratings.energy_wh, 0, ratings.energies),
        "WChaRteMax": limit(ratings.power_w(ratings.charge_ma), 0, ratings.powers),
        "WDisChaRteMax": limit(ratings.power_w(ratings.discharge_ma), 0, ratings.powers),
        "SoC": soc,
        "DoD": None if soc is None else 1_000 - soc,
        "SoH": view.soh_permille,
        "ChaSt": charge_status(view, silent),
        "LocRemCtl": REMOTE if controls.obeys else LOCAL,
        "Hb": controls.beat,
        "CtrlHb": controls.controller_beat,
        "AlmRst": 0,  # there is nothing of ours to reset: at once done
        "Typ": LITHIUM_ION,
        "State": state(view, packs, (charge, discharge), silent),
        "Evt1": events(view, packs, silent),
        **dict.fromkeys(("Evt2", "EvtVnd1", "EvtVnd2"), 0),
        "V": unsigned(view.voltage_mv, MILLI, VOLTS),
        "VMax": limit(view.charge_voltage_limit_mv, MILLI, VOLTS),
        "VMin": unsigned(view.discharge_voltage_limit_mv, MILLI, VOLTS, 1),
        "CellVMax": unsigned(view.cell_max_mv, MILLI, CELL_VOLTS),
        "CellVMaxStr": string_number(view.cell_max_pack, packs),
        "CellVMin": unsigned(view.cell_min_mv, MILLI, CELL_VOLTS),
        "CellVMinStr": string_number(view.cell_min_pack, packs),
        "A": signed(view.current_ma, MILLI, ratings.currents, ratings.sign),
        "AChaMax": charge,
        "ADisChaMax": discharge,
        "W": signed(view.power_w, 0, ratings.powers, ratings.sign),
        "ReqInvState": STOP if charge == discharge == 0 else NO_REQUEST,
        "SetOp": shown_operation(view, controls),
        "SetInvState": controls.set_inverter_state,
        "AHRtg_SF": ratings.charges,
        "WHRtg_SF": ratings.energies,
        "WChaDisChaMax_SF": ratings.powers,
        **dict.fromkeys(("SoC_SF", "DoD_SF", "SoH_SF"), PERCENT),
        "V_SF": VOLTS,
        "CellV_SF": CELL_VOLTS,
        "A_SF": ratings.currents,
        "AMax_SF": ratings.currents,
        "W_SF": ratings.powers,
    }


def limits(view: SystemView, ratings: Ratings, silent: bool) -> tuple[int, int]:
    """Return AChaMax and ADisChaMax, raw; 0 is "not allowed"."""
    charge = view.charge_current_limit_ma if view.charge_allowed and not silent else 0
    discharge = view.discharge_current_limit_ma if view.discharge_allowed and not silent else 0
    scale = ratings.currents
    return limit(charge, MILLI, scale), limit(discharge, MILLI, scale)


def state(view: SystemView, packs: list[PackRow], allowed: tuple[int, int], silent: bool) -> int:
    """Return State: the first row that holds. `allowed`: the two current limits."""
    heard = any(row.presence in ("live", "late") for row in packs)
    new = all(row.presence == "removed" or row.why_ignored == "never heard" for row in packs)
    fault = silent or not heard or bool({"internal_fault", "short_circuit"} & set(view.protections))
    by_soc = "owner_soc" in (view.charge_current_rule, view.discharge_current_rule)
    rows = (
        (not heard and new, INITIALIZING),
        (fault, FAULT),
        (allowed == (0, 0), STANDBY),
        (0 in allowed and by_soc, SOC_PROTECTION),
        (True, CONNECTED),
    )
    return next(name for holds, name in rows if holds)


def charge_status(view: SystemView, silent: bool) -> int | None:
    """Return ChaSt: the first row that holds."""
    current_ma = view.current_ma
    if current_ma is None or silent:
        return OFF if silent else None
    rows = (
        (current_ma >= RESTING_MA, CHARGING),
        (current_ma <= -RESTING_MA, DISCHARGING),
        (view.soc_permille == 1_000, FULL),
        (view.soc_permille == 0, EMPTY),
        (True, HOLDING),
    )
    return next(name for holds, name in rows if holds)


def events(view: SystemView, packs: list[PackRow], silent: bool) -> int:
    """Return Evt1: alarms and warnings, and a silent pack is an error."""
    lost = silent or any(row.presence == "unheard" for row in packs)
    return alarms(view.protections, view.warnings) | (COMMUNICATION_ERROR if lost else 0)


def alarms(protections: Collection[str], warnings: Collection[str]) -> int:
    """Return the bits of Evt1 and StrEvt1: protections are alarms, warnings are warnings."""
    found = 0
    for alarm, warning, names in EVENTS:
        if any(name in protections for name in names):
            found |= 1 << alarm
        if any(name in warnings for name in names):
            found |= 1 << warning
    return found


def shown_operation(view: SystemView, controls: Controls) -> int:
    """Return SetOp: what was written; before that, whether the owner's stop holds both ways."""
    if controls.set_operation is not None:
        return controls.set_operation
    rules = (view.charge_current_rule, view.discharge_current_rule)
    return DISCONNECT if rules == ("owner_stop", "owner_stop") else CONNECT


def string_number(pack: str | None, packs: list[PackRow]) -> int | None:
    """Return which string a pack is, counted from 1 in the order of the packs' names."""
    names = [row.pack for row in packs]
    return names.index(pack) + 1 if pack in names else None
