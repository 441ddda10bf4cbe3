"""Numbers of the bus and of the core (RV-C-2023, Table 5.3), rounded to the safe side. Board-safe.

Names say which way: `_down` asks for less or looks worse, `_near` is for what is measured. All in
integers. None is "no data", both ways; so is whatever lies outside the valid range of the bus.
"""

NO_DATA_8 = 0xFF
NO_DATA_16 = 0xFFFF
LARGEST_8 = 252
LARGEST_16 = 65_532
STEP_MV = 50
STEP_MA = 50
ZERO_A = 32_000  # raw of 0 A in two bytes
ZERO_C = 8_736  # raw of 0 °C in two bytes, 1/32 °C each
# Raw of 0 mA in four bytes is 2 000 000 000: kept in halves, which stay small on a board.
ZERO_MA_LOW, ZERO_MA_HIGH = 0x9400, 0x7735
HALF_RANGE = 64  # halves further than this from zero, 64 x 65.536 A, are no current of a battery

HIGHEST_MV = 150_000  # what a report of the core may hold
LARGEST_MA = 1_000_000


def _bounded(raw: int, largest: int) -> int:
    return 0 if raw < 0 else largest if raw > largest else raw


def volts_down(mv: int | None) -> int:
    """Return a voltage limit as two bytes of 0.05 V, rounded down."""
    return NO_DATA_16 if mv is None else _bounded(mv // STEP_MV, LARGEST_16)


def volts_near(mv: int | None) -> int:
    """Return a measured voltage as two bytes of 0.05 V."""
    return NO_DATA_16 if mv is None else _bounded((mv + STEP_MV // 2) // STEP_MV, LARGEST_16)


def mv_of(raw: int) -> int | None:
    """Return two bytes of 0.05 V in mV."""
    mv = raw * STEP_MV
    return mv if raw <= LARGEST_16 and mv <= HIGHEST_MV else None


def amps_down(ma: int | None) -> int:
    """Return a charge current limit (a magnitude) as two bytes of 0.05 A, rounded down."""
    return NO_DATA_16 if ma is None else _bounded(ma // STEP_MA + ZERO_A, LARGEST_16)


def ma_of(raw: int) -> int | None:
    """Return two bytes of 0.05 A in mA; negative: a current that was asked for out of the source."""
    return (raw - ZERO_A) * STEP_MA if raw <= LARGEST_16 else None


def put_current(data: bytearray, at: int, charge_ma: int | None) -> None:
    """Write four bytes of 1 mA. The bus counts what flows out of the source; the core, into it."""
    low, high = NO_DATA_16, NO_DATA_16
    if charge_ma is not None:
        low = ZERO_MA_LOW - charge_ma
        high = ZERO_MA_HIGH + (low >> 16)
    data[at] = low & 0xFF
    data[at + 1] = low >> 8 & 0xFF
    data[at + 2] = high & 0xFF
    data[at + 3] = high >> 8 & 0xFF


def get_current(data: bytes | bytearray, at: int) -> int | None:
    """Read four bytes of 1 mA; positive: into the source."""
    low = (data[at] | data[at + 1] << 8) - ZERO_MA_LOW
    high = (data[at + 2] | data[at + 3] << 8) - ZERO_MA_HIGH
    if high < -HALF_RANGE or high > HALF_RANGE:
        return None
    ma = -(high * 65_536 + low)
    return ma if -LARGEST_MA <= ma <= LARGEST_MA else None


def degrees_near(decic: int | None) -> int:
    """Return a temperature as two bytes of 1/32 °C."""
    return NO_DATA_16 if decic is None else _bounded((decic * 32 + 5) // 10 + ZERO_C, LARGEST_16)


def decic_of(raw: int) -> int | None:
    """Return two bytes of 1/32 °C in 0.1 °C."""
    decic = ((raw - ZERO_C) * 10 + 16) // 32
    return decic if raw <= LARGEST_16 and -500 <= decic <= 1_500 else None


def half_percent_down(permille: int | None) -> int:
    """Return a share as one byte of 0.5 %, rounded down."""
    return NO_DATA_8 if permille is None else _bounded(permille // 5, LARGEST_8)


def permille_of(raw: int) -> int | None:
    """Return one byte of 0.5 % in permille; more than 100 % is no state of charge of ours."""
    return raw * 5 if raw <= 200 else None


def amp_hours_down(mah: int | None) -> int:
    """Return a charge as two bytes of 1 Ah, rounded down."""
    return NO_DATA_16 if mah is None else _bounded(mah // 1_000, LARGEST_16)


def mah_of(raw: int) -> int | None:
    """Return two bytes of 1 Ah in mAh; the core knows no empty capacity."""
    return raw * 1_000 if 0 < raw <= 2_000 else None


def watts_near(w: int | None) -> int:
    """Return a power, without its direction, as two bytes of 1 W."""
    return NO_DATA_16 if w is None else _bounded(abs(w), LARGEST_16)
