"""A second reader of what we say on RV-C: cantools, with a DBC written from the published tables."""

from pathlib import Path

import cantools.database
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.rvc.settings import SaysRvc
from aggregator.view import SystemView

DBC = cantools.database.load_file(
    Path(__file__).with_name("rvc.dbc"), frame_id_mask=0x83FFFFFF, strict=True
)
NO_DATA_V, NO_DATA_A = 3_276.75, 1_676.75


def views() -> st.SearchStrategy[SystemView]:
    """Views of a bank, with whatever numbers it may show."""

    def made(values: dict[str, object]) -> SystemView:
        shown = SystemView(["oak"])
        for name, value in values.items():
            setattr(shown, name, value)
        return shown

    return st.fixed_dictionaries(
        {
            "voltage_mv": st.integers(0, 150_000),
            "voltage_min_mv": st.just(50_000),
            "voltage_max_mv": st.just(54_321),
            "current_ma": st.integers(-1_000_000, 1_000_000),
            "soc_permille": st.integers(0, 1_000),
            "soh_permille": st.integers(0, 1_000),
            "remaining_mah": st.integers(0, 60_000_000),
            "capacity_mah": st.integers(1_000, 60_000_000),
            "temperature_max_decic": st.integers(-500, 1_500),
            "power_w": st.integers(-60_000, 60_000),
            "charge_allowed": st.booleans(),
            "discharge_allowed": st.booleans(),
            "charge_voltage_limit_mv": st.integers(0, 120_000),
            "charge_current_limit_ma": st.integers(0, 2_000_000),
        }
    ).map(made)


def said(view: SystemView) -> dict[str, dict[str, float]]:
    """What a second reader makes of our frames: the first round, by message and signal."""
    talker = SaysRvc(manufacturer_code=0, identity_number=1, address=70).talker()
    talker.opened(0)
    told = {}
    for now_ms in (0, 1_000, 2_000, 2_100):
        for number, data in talker.due(now_ms, view, True):
            try:
                message = DBC.get_message_by_frame_id(number & 0x9FFFFFFF)
            except KeyError:
                continue  # the claim, DM_RV, the connection status: not in the DBC
            told[message.name] = message.decode(data, decode_choices=False)
    return told  # type: ignore[return-value]  # plain numbers without choices


@pytest.mark.source("CANTOOLS", "tests/reference/rvc.dbc, from RV-C-2023 Tables 6.5.2 to 6.5.14")
@given(views())
@settings(max_examples=100, deadline=None)
def test_a_second_reader_finds_our_values(view: SystemView) -> None:
    """What is measured comes out to half a step; limits never above the view's."""
    told = said(view)
    one, two, three, four = (told[f"STATUS_{n}"] for n in (1, 2, 3, 4))
    assert abs(one["voltage"] * 1_000 - view.voltage_mv) <= 25.001  # type: ignore[operator]
    assert abs(one["current_out"] * 1_000 + view.current_ma) < 0.001  # type: ignore[operator]
    assert abs(told["STATUS_5"]["voltage"] * 1_000 - view.voltage_mv) < 0.001  # type: ignore[operator]
    assert abs(two["temperature"] * 10 - view.temperature_max_decic) <= 0.16  # type: ignore[operator]
    assert 0 <= view.soc_permille - two["state_of_charge"] * 10 < 5  # type: ignore[operator]
    assert 0 <= view.soh_permille - three["state_of_health"] * 10 < 5  # type: ignore[operator]
    assert 0 <= view.remaining_mah / 1_000 - three["capacity_remaining"] < 1  # type: ignore[operator]
    may = view.charge_allowed and view.charge_current_limit_ma >= 50
    may = may and view.charge_voltage_limit_mv >= 50
    if may:
        assert four["desired_state"] == 7
        assert 0 <= view.charge_voltage_limit_mv - round(four["desired_voltage"] * 1_000) < 50
        most_ma = min(view.charge_current_limit_ma, 1_676_600)
        assert 0 <= most_ma - round(four["desired_current"] * 1_000) < 50
    else:
        assert four["desired_state"] == 1
        assert (four["desired_voltage"], four["desired_current"]) == (NO_DATA_V, NO_DATA_A)
    assert four["battery_type"] == 3
    six, eleven = told["STATUS_6"], told["STATUS_11"]
    assert six["high_voltage_limit"] == (0 if may else 1)
    assert six["low_voltage_limit"] == (0 if view.discharge_allowed else 1)
    assert six["high_voltage_disconnect"] == six["low_voltage_disconnect"] == 3
    assert eleven["charge_bus"] == (1 if may else 0)
    assert eleven["discharge_bus"] == (1 if view.discharge_allowed else 0)
    assert eleven["power"] == abs(view.power_w)  # type: ignore[arg-type]
    assert 0 <= view.capacity_mah / 1_000 - eleven["full_capacity"] < 1
    assert told["STATUS_13"]["highest_voltage"] == pytest.approx(54.3)
