"""Parameter groups: which field stands where (CANBOAT, in docs/sources.md). Pure, both ways.

All numbers are little-endian. All ones is "no data"; the codes just below it are reserved. A value
is the core's: number in the frame = value / step + zero.
"""

from collections.abc import Mapping

from attrs import frozen

# Codes at the top of a number that are no values, by its bits.
RESERVED = {2: 1, 4: 2, 8: 3, 16: 3}


@frozen
class Field:
    """One field; `step`: (numerator, denominator) of the core's unit for each count of the frame."""

    name: str
    bits: int
    step: tuple[int, int] = (1, 1)
    signed: bool = False
    zero: int = 0
    floors: bool = False  # rounded down when written; else to the nearest

    @property
    def top(self) -> int:
        """The number of all ones, but for the sign."""
        return (1 << (self.bits - 1 if self.signed else self.bits)) - 1

    def written(self, value: int | None) -> int:
        """Return the bits for a value; what does not fit is "no data"."""
        raw = self.top
        if value is not None:
            num, den = self.step
            exactly = value * den + num * self.zero
            raw = exactly // num if self.floors else (2 * exactly + num) // (2 * num)
            low = -self.top if self.signed else 0
            if not low <= raw <= self.top - RESERVED[self.bits]:
                raw = self.top
        return raw & (1 << self.bits) - 1

    def read(self, raw: int) -> int | None:
        """Return the value of some bits; None: no data, or reserved."""
        if self.signed and raw >> self.bits - 1:
            raw -= 1 << self.bits
        if raw > self.top - RESERVED[self.bits]:
            return None
        num, den = self.step
        return (2 * (raw - self.zero) * num + den) // (2 * den)


@frozen
class Group:
    """A parameter group: its number, its length [bytes], and its fields in order."""

    number: int
    length: int
    fields: tuple[Field, ...]

    @property
    def is_fast(self) -> bool:
        """Does it come in pieces, even when it would fit one frame?"""
        return self.number != BATTERY_STATUS.number

    def data(self, values: Mapping[str, int | None]) -> bytes:
        """Return the message that says `values`; what they do not name is "no data"."""
        word = (1 << 8 * self.length) - 1
        at = 0
        for field in self.fields:
            mask = (1 << field.bits) - 1
            word = word & ~(mask << at) | field.written(values.get(field.name)) << at
            at += field.bits
        return word.to_bytes(self.length, "little")

    def values(self, data: bytes) -> dict[str, int | None] | None:
        """Return what a message says; None: it is too short."""
        if len(data) < self.length:
            return None
        word = int.from_bytes(data[: self.length], "little")
        found: dict[str, int | None] = {}
        at = 0
        for field in self.fields:
            found[field.name] = field.read(word >> at & (1 << field.bits) - 1)
            at += field.bits
        return found


INSTANCE, SID = Field("instance", 8), Field("sid", 8)
PERCENT, MINUTES = (10, 1), (60_000, 1)

BATTERY_STATUS = Group(
    127_508,
    8,
    (
        INSTANCE,
        Field("voltage_mv", 16, (10, 1), signed=True),
        # Positive is taken for charging: common practice, not said by the source.
        Field("current_ma", 16, (100, 1), signed=True),
        Field("temperature_decic", 16, (1, 10), zero=27_315),
        SID,
    ),
)
DC_DETAILED_STATUS = Group(
    127_506,
    11,
    (
        SID,
        INSTANCE,
        Field("dc_type", 8),  # 0: a battery
        Field("soc_permille", 8, PERCENT, floors=True),
        Field("soh_permille", 8, PERCENT, floors=True),
        Field("time_left_ms", 16, MINUTES, floors=True),
        Field("ripple_mv", 16),
        Field("remaining_mah", 16, (1_000, 1), floors=True),
    ),
)
BATTERY_CONFIGURATION = Group(
    127_513,
    8,
    (
        INSTANCE,
        Field("battery_type", 4),  # lead-acid's kinds only
        Field("equalization", 2),  # 0: does not want it
        Field("reserved", 2),
        Field("nominal", 4),  # see NOMINAL
        Field("chemistry", 4),  # 1: lithium
        Field("capacity_mah", 16, (1_000, 1), floors=True),
        Field("temperature_coefficient", 8, signed=True),
        Field("peukert", 8),
        Field("efficiency", 8, signed=True),
    ),
)
CHARGER_STATUS = Group(
    127_507,
    6,
    (
        INSTANCE,
        Field("battery", 8),  # the instance it charges
        Field("state", 4),  # see CHARGER_STATES
        Field("mode", 4),
        Field("enabled", 2),
        Field("equalization_pending", 2),
        Field("reserved", 4),
        Field("equalization_left_ms", 16, MINUTES),
    ),
)
GROUPS = {
    group.number: group
    for group in (BATTERY_STATUS, DC_DETAILED_STATUS, BATTERY_CONFIGURATION, CHARGER_STATUS)
}
NOMINAL = {6: 0, 12: 1, 24: 2, 32: 3, 36: 4, 42: 5, 48: 6}  # V -> code
LITHIUM = 1
CHARGER_STATES = (
    "not charging", "bulk", "absorption", "overcharge", "equalising", "float", "no float",
    "constant voltage or current", "disabled", "fault",
)  # fmt: skip
