"""Contacts: open means no; open at once, closed only after a rest; files as lines."""

import asyncio
from pathlib import Path

import pytest

from adapters.contacts import lines
from adapters.contacts.levels import CONTACTS, Contacts, loads_may_stay, may_charge, may_discharge
from adapters.contacts.lines import ContactsTransport, FileLine
from adapters.contacts.pins import Output, Pins
from adapters.contacts.settings import LineSettings, SaysContacts
from adapters.links import LinkError
from aggregator.view import Finding, SystemView

OPEN = dict.fromkeys(CONTACTS, False)
CLOSED = dict.fromkeys(CONTACTS, True)


def view(**changes: object) -> SystemView:
    """A bank that may do everything."""
    shown = SystemView(["oak"])
    usual = {
        "charge_allowed": True, "discharge_allowed": True,
        "charge_current_limit_ma": 1, "discharge_current_limit_ma": 1,
    }  # fmt: skip
    for name, value in (usual | changes).items():
        setattr(shown, name, value)
    return shown


class Level(Output):
    """A pin that remembers."""

    def __init__(self) -> None:
        self.level: int | None = None

    def value(self, level: int) -> None:
        self.level = level


@pytest.mark.parametrize(
    ("changes", "levels"),
    [
        ({}, (True, True, True)),
        ({"charge_allowed": False}, (False, True, True)),
        ({"charge_current_limit_ma": 0}, (False, True, True)),
        ({"discharge_allowed": False}, (True, False, False)),
        ({"discharge_current_limit_ma": 0}, (True, False, False)),
        ({"findings": [Finding("load_above_limit", None)]}, (True, True, False)),
        ({"findings": [Finding("readings_frozen", "oak")]}, (True, True, True)),
    ],
)
def test_levels_follow_the_view(changes: dict[str, object], levels: tuple[bool, ...]) -> None:
    """A contact is closed only while its direction is allowed and its limit is above 0; loads are
    shed also when they draw more than the limit."""
    shown = view(**changes)
    assert (may_charge(shown), may_discharge(shown), loads_may_stay(shown)) == levels


def levels(talker: Contacts, times: range, shown: SystemView, may_speak: bool = True) -> dict:  # type: ignore[type-arg]
    """The levels after a while; each is repeated within a second."""
    now = dict(OPEN)
    for now_ms in times:
        now.update(talker.due(now_ms, shown, may_speak))
    return now


def test_contacts_start_open_and_rest() -> None:
    """Closed only after the rest, counted from the start."""
    talker = Contacts(rest_ms=10_000, shed_ms=20_000)
    assert levels(talker, range(0, 10_000, 100), view()) == OPEN
    assert levels(talker, range(10_000, 11_100, 100), view()) == CLOSED | {"loads": False}
    assert levels(talker, range(11_100, 21_100, 100), view()) == CLOSED


def test_a_contact_opens_at_once_and_stays_open_for_a_while() -> None:
    """No chatter: a limit that flickers around 0 opens the contact once in a rest."""
    talker = Contacts(rest_ms=10_000, shed_ms=0)
    levels(talker, range(0, 12_000, 100), view())
    changes = []
    for now_ms in range(12_000, 42_000, 100):
        shown = view(charge_allowed=now_ms % 200 != 0)
        changes += [(now_ms, item) for item in talker.due(now_ms, shown, True)]
    closed = [now_ms for now_ms, item in changes if item == ("charge", True)]
    assert (12_000, ("charge", False)) in changes
    assert closed == [22_100, 32_300]


def test_without_the_right_to_speak_all_are_open() -> None:
    """Another board speaks, or nobody may: open, at once."""
    talker = Contacts(rest_ms=0, shed_ms=0)
    assert levels(talker, range(0, 1_000, 100), view()) == CLOSED
    assert dict(talker.due(1_000, view(), False)) == OPEN


def test_pins_are_low_without_permission_and_high_if_inverted() -> None:
    """The level without permission is the one of a pin without power, unless wired otherwise."""
    outputs = {"charge": Level(), "loads": Level()}
    pins = Pins(dict(outputs), inverted=("loads",))
    assert (outputs["charge"].level, outputs["loads"].level) == (0, 1)
    pins.set("charge", True)
    pins.set("loads", True)
    pins.set("discharge", True)  # not wired
    assert (outputs["charge"].level, outputs["loads"].level) == (1, 0)


def files(folder: Path) -> ContactsTransport:
    """Two lines that are files."""
    for name in ("charge", "loads"):
        (folder / name).write_text("x\n")
    settings = LineSettings(charge=str(folder / "charge"), loads=str(folder / "loads"))
    return settings.transport()


def test_a_line_is_a_file_and_ends_open(tmp_path: Path) -> None:
    """Levels are written as 1 and 0; closing the link leaves the contacts open."""

    async def play() -> None:
        transport = files(tmp_path)
        await transport.open()
        assert (tmp_path / "charge").read_text() == "0\n"
        await transport.send(("charge", True))
        assert (tmp_path / "charge").read_text() == "1\n"
        await transport.close()
        assert (tmp_path / "charge").read_text() == "0\n"

    asyncio.run(play())


def test_contacts_open_when_nobody_tells_their_levels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A talker that hangs does not hold a contact closed."""
    monkeypatch.setattr(lines, "HOLD_S", 0.05)
    monkeypatch.setattr(lines, "LOOK_S", 0.01)

    async def play() -> None:
        transport = files(tmp_path)
        await transport.open()
        await transport.send(("charge", True))
        with pytest.raises(LinkError, match="all contacts opened"):
            await transport.receive()
        await transport.close()
        assert (tmp_path / "charge").read_text() == "0\n"

    asyncio.run(play())


def test_a_line_that_is_not_there_is_named(tmp_path: Path) -> None:
    """Opening says what may be wrong, in one line."""
    transport = ContactsTransport({"charge": FileLine(tmp_path / "none")})
    with pytest.raises(LinkError, match="is it set up as output"):
        asyncio.run(transport.open())


def test_settings_name_what_is_wrong() -> None:
    """No contact, a strange one, an impossible time."""
    with pytest.raises(ValueError, match="at least one of charge"):
        LineSettings()
    with pytest.raises(ValueError, match="names out of charge"):
        LineSettings(charge="x", inverted=["solar"])
    with pytest.raises(ValueError, match=r"0\.\.3600000 ms"):
        SaysContacts(rest_ms=-1)
    assert SaysContacts().talker().due(0, view(), True)
