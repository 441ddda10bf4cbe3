"""What an owner may set about RV-C, in SITE.toml."""

from typing import Any, Literal

from attrs import Attribute, field, frozen

from adapters.rvc.address import LAST_DYNAMIC, Address, name_bytes
from adapters.rvc.pack import RvcPack
from adapters.rvc.said import Subject
from adapters.rvc.source import RvcSource


def _within(low: int, high: int, what: str) -> Any:
    def check(_: object, attribute: "Attribute[Any]", value: int | None) -> None:
        if value is not None and not low <= value <= high:
            raise ValueError(f"{low}..{high}, {what}")

    return check


def _who(_: object, __: "Attribute[str]", value: str) -> None:
    if not 1 <= len(value) <= 32 or not all(" " <= one <= "~" for one in value):
        raise ValueError("1..32 plain characters")


@frozen(kw_only=True)
class SaysRvc:
    """`[[links.says]] as = "rv-c"`: speak for the bank as one DC source."""

    # DC instance, 1..250: 1 is the main house bank. Chargers follow the source of their own.
    instance: int = field(default=1, validator=_within(1, 250, "a DC instance"))
    # 0..252: the source with the highest one is obeyed; 120 is for devices that know a battery.
    priority: int = field(default=120, validator=_within(0, 252, "a device priority"))
    # The first address to claim; if a stronger device has it, 175 down to 160 are tried.
    address: int = field(default=LAST_DYNAMIC, validator=_within(0, 253, "a source address"))
    # Part of the NAME on the bus, an assigned number (SAE or RVIA): yours to have or to ask for.
    manufacturer_code: int = field(validator=_within(0, 2_047, "a manufacturer code"))
    # Part of the NAME: like no other of the same manufacturer code on this bus.
    identity_number: int = field(validator=_within(0, 2_097_151, "an identity number"))
    # Capacity as designed, of the whole bank [mAh]: what RV-C's state of charge refers to. Left
    # out: the present capacity.
    design_capacity_mah: int | None = field(
        default=None, validator=_within(1_000, 65_532_000, "a capacity in mAh")
    )
    # "any": STATUS_6 also flags what only one pack's protection says; stops chargers earlier.
    # "all": as the standard has it for several packs together: only what holds for the whole bank.
    flags: Literal["any", "all"] = "any"
    # Do as DC_SOURCE_COMMAND says (as wishes: narrow only); false: refuse it.
    obey_commands: bool = True
    # Who asks, in the requests made of it: on several buses each its own, or one takes back what
    # another asked for.
    source: str = field(default="rv-c", validator=_who)

    def talker(self) -> RvcSource:
        """Return the talker."""
        name = name_bytes(self.manufacturer_code, self.identity_number)
        subject = Subject(
            self.instance, self.priority, self.design_capacity_mah, self.flags == "any"
        )
        return RvcSource(Address(name, self.address), subject, self.obey_commands, self.source)


@frozen(kw_only=True)
class HearsRvc:
    """`[[links.hears]] as = "rv-c"`: hear a DC source as a pack."""

    # The pack's name in the settings.
    pack: str
    # Its DC instance, 1..250. Members of instance n are by custom 10n, 10n+1, ...
    instance: int = field(validator=_within(1, 250, "a DC instance"))
    # Charge limit of a pack that states none [mA]; left out: unknown, so 0.
    charge_limit_ma: int | None = field(default=None, validator=_within(0, 1_000_000, "mA"))
    # Discharge limit [mA]: RV-C cannot tell it. Left out: unknown, so 0.
    discharge_limit_ma: int | None = field(default=None, validator=_within(0, 1_000_000, "mA"))

    def talker(self) -> RvcPack:
        """Return the talker."""
        return RvcPack(self.pack, self.instance, self.charge_limit_ma, self.discharge_limit_ma)
