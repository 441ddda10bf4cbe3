"""What an owner may set about contacts, in SITE.toml."""

from pathlib import Path
from typing import Any

from attrs import Attribute, field, frozen

from adapters.contacts.levels import CONTACTS, Contacts
from adapters.contacts.lines import ContactsTransport, FileLine
from adapters.contacts.pins import Output


def _rest(_: object, attribute: "Attribute[Any]", value: int) -> None:
    if not 0 <= value <= 3_600_000:
        raise ValueError("0..3600000 ms")


def _names(_: object, attribute: "Attribute[Any]", value: list[str]) -> None:
    if set(value) - set(CONTACTS):
        raise ValueError("names out of " + ", ".join(CONTACTS))


@frozen(kw_only=True)
class LineSettings:
    """`kind = "contacts"`: the file of each line; contacts that are left out are not wired."""

    charge: str = ""  # closed: chargers may charge
    discharge: str = ""  # closed: inverters may discharge
    loads: str = ""  # closed: loads that can be done without may stay on
    # Contacts whose line is low when they are closed.
    inverted: list[str] = field(factory=list, validator=_names)

    def __attrs_post_init__(self) -> None:
        if not (self.charge or self.discharge or self.loads):
            raise ValueError("at least one of " + ", ".join(CONTACTS))

    def transport(self) -> ContactsTransport:
        """Return the transport."""
        paths = {name: getattr(self, name) for name in CONTACTS if getattr(self, name)}
        outputs: dict[str, Output] = {name: FileLine(Path(path)) for name, path in paths.items()}
        return ContactsTransport(outputs, tuple(self.inverted))


@frozen(kw_only=True)
class SaysContacts:
    """`[[links.says]] as = "contacts"`."""

    # How long charge and discharge stay open at least [ms], 0..3600000. Short wears relays, long
    # costs energy after each cloud.
    rest_ms: int = field(default=10_000, validator=_rest)
    # How long loads stay off at least [ms]: long enough that they do not pump.
    shed_ms: int = field(default=300_000, validator=_rest)

    def talker(self) -> Contacts:
        """Return the talker."""
        return Contacts(self.rest_ms, self.shed_ms)
