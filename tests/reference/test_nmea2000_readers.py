"""Our NMEA 2000 messages as two independent programs read them: nmea2000 (Rust) and canboatjs (node)."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from nmea2000 import NMEA2000Decoder

from adapters.nmea2000.groups import CHARGER_STATES
from adapters.nmea2000.packets import Frame
from adapters.nmea2000.says import Nmea2000Bank, SaysNmea2000, charger_frames
from aggregator import Aggregator, BankSettings, PackSettings, SystemView
from tests.sources import ROOT

CANBOATJS = Path(sys.prefix) / "node_modules" / "@canboat" / "canboatjs"


def view(**fields: Any) -> SystemView:
    """Return a view with some fields known."""
    made = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0).copy()
    for name, value in fields.items():
        setattr(made, name, value)
    return made


KNOWN = {
    "voltage_mv": 53_120, "current_ma": -42_500, "temperature_max_decic": 250,
    "soc_permille": 879, "soh_permille": 990, "remaining_mah": 261_900, "capacity_mah": 300_000,
}  # fmt: skip
UNKNOWN = dict.fromkeys(KNOWN)


def lines(frames: list[Frame]) -> str:
    """Return frames as candump prints them into a log."""
    return "".join(
        f"(1700000000.000000) can0 {can_id & 0x1FFFFFFF:08X}#{data.hex().upper()}\n"
        for can_id, data in frames
    )


def sent(fields: dict[str, Any]) -> list[Frame]:
    """Return what the bank sends at first."""
    settings = SaysNmea2000(instance=2, source_address=35, nominal_v=48)
    return list(Nmea2000Bank(settings).due(0, view(**fields), False))


def by_nmea2000(frames: list[Frame]) -> dict[int, dict[str, Any]]:
    """Return group -> fields, as the first reader has them."""
    decoder = NMEA2000Decoder()
    found = {}
    for line in lines(frames).splitlines():
        message = decoder.decode(line)
        if message is not None:
            assert message.source == frames[0][0] & 0xFF
            found[message.PGN] = {field.id: field.value for field in message.fields}
    return found


def by_canboatjs(frames: list[Frame]) -> dict[int, dict[str, Any]]:
    """Return group -> fields, as the second reader has them."""
    reader = ["node", str(ROOT / "tests" / "reference" / "n2k_reader.js"), str(CANBOATJS)]
    ran = subprocess.run(reader, input=lines(frames), text=True, capture_output=True, timeout=60)
    assert (ran.returncode, ran.stderr) == (0, "")
    messages = [json.loads(line) for line in ran.stdout.splitlines()]
    assert all(message["src"] == frames[0][0] & 0xFF for message in messages)
    return {message["pgn"]: message["fields"] for message in messages}


@pytest.mark.source("CANBOAT", "127506, 127508, 127513 by nmea2000")
def test_the_first_reader_has_our_numbers() -> None:
    """Voltage, current, temperature, charge, time left and capacity come out as they went in."""
    found = by_nmea2000(sent(KNOWN))
    assert set(found) == {127_506, 127_508, 127_513}
    status, detail, setup = found[127_508], found[127_506], found[127_513]
    assert status["instance"] == detail["instance"] == setup["instance"] == 2
    assert status["voltage"] == pytest.approx(53.12)
    assert status["current"] == pytest.approx(-42.5)
    assert status["temperature"] == pytest.approx(298.15)
    assert status["sid"] == detail["sid"] == 1
    assert (detail["dcType"], detail["stateOfCharge"], detail["stateOfHealth"]) == (
        "Battery",
        87,
        99,
    )
    # 261.9 Ah at 42.5 A last 6 h 9 min and some seconds, in whole minutes.
    assert (detail["timeRemaining"], detail["remainingCapacity"]) == (22_140, 261)
    assert (setup["nominalVoltage"], setup["chemistry"], setup["capacity"]) == ("48V", "Li", 300)
    assert setup["supportsEqualization"] == "No"


@pytest.mark.source("CANBOAT", "127506, 127508, 127513 by canboatjs")
def test_the_second_reader_has_our_numbers() -> None:
    """The same through a reader in another language; it tells capacities in coulombs."""
    found = by_canboatjs(sent(KNOWN))
    assert found[127_508] == {
        "instance": 2, "voltage": 53.12, "current": -42.5, "temperature": 298.15, "sid": 1,
    }  # fmt: skip
    assert found[127_506] == {
        "sid": 1, "instance": 2, "dcType": "Battery", "stateOfCharge": 87, "stateOfHealth": 99,
        "timeRemaining": "06:09:00", "remainingCapacity": 261 * 3_600,
    }  # fmt: skip
    setup = found[127_513]
    assert (setup["nominalVoltage"], setup["chemistry"]) == ("48V", "Li")
    assert setup["capacity"] == 300 * 3_600


@pytest.mark.source("CANBOAT", "no data, by both")
def test_unknown_is_no_data_to_both() -> None:
    """What the bank does not know, neither reader shows a number for."""
    frames = sent(UNKNOWN)
    first, second = by_nmea2000(frames), by_canboatjs(frames)
    for group, names in {
        127_508: ("voltage", "current", "temperature"),
        127_506: ("stateOfCharge", "stateOfHealth", "timeRemaining", "remainingCapacity"),
        127_513: ("capacity", "batteryType", "peukertExponent", "chargeEfficiencyFactor"),
    }.items():
        assert {name: first[group][name] for name in names} == dict.fromkeys(names)
        assert not set(second[group]) & set(names)


@pytest.mark.source("CANBOAT", "127507 by nmea2000")
@pytest.mark.parametrize("state", CHARGER_STATES)
def test_charger_states_are_the_readers(state: str) -> None:
    """The fields of a charger's status stand where the readers look, and its states agree by number."""
    found = by_nmea2000(charger_frames(7, 3, 2, state))[127_507]
    names = {
        "equalising": "Equalise",
        "constant voltage or current": "Constant VI",
    }
    assert found["operatingState"] == names.get(state, state.capitalize())
    assert (found["instance"], found["batteryInstance"], found["enabled"]) == (3, 2, "On")


@pytest.mark.source("CANBOAT", "60928 by both")
def test_our_name_is_a_batterys_to_both() -> None:
    """The claim of an address tells the maker, the number and that this is a battery."""
    settings = SaysNmea2000(
        instance=11, source_address=40, manufacturer_code=2_046, unique_number=77
    )
    claim = list(Nmea2000Bank(settings).due(0, view(), True))
    (first,) = by_nmea2000(claim).values()
    assert (first["uniqueNumber"], first["deviceInstanceLower"], first["deviceInstanceUpper"]) == (
        77, 3, 1,
    )  # fmt: skip
    assert (first["deviceClass"], first["industryGroup"]) == (
        "Electrical Generation",
        "Marine Industry",
    )
    (second,) = by_canboatjs(claim).values()
    assert (second["uniqueNumber"], second["manufacturerCode"]) == (77, 2_046)
    assert (second["deviceFunction"], second["deviceClass"]) == (170, "Electrical Generation")
    assert second["arbitraryAddressCapable"] == "Yes"
