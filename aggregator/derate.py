"""How much of its own limit a pack is asked for: tolerance, margin, temperature, extreme cell.

Everything here rounds down, and each term only takes away.
"""

from .pack import COLDEST
from .settings import PackSettings


def along(curve: tuple[tuple[int, int], ...], x: int) -> int:
    """Return the permille that `curve` gives at `x`: linear between its points, flat outside.

    An empty curve derates nothing. Rounded down. Check values: a temperature curve of 0 °C none,
    15 °C full gives 500 permille at 7.5 °C.
    """
    if not curve:
        return 1_000
    left, low = curve[0]
    if x <= left:
        return low
    for right, high in curve:
        if x <= right:
            return low + (high - low) * (x - left) // (right - left)
        left = right
        low = high
    return low


def reliable_ma(own_ma: int, settings: PackSettings, margin_permille: int) -> int:
    """Return what is left of a pack's limit [mA] when its sensor errs and the loop overshoots."""
    left_ma = own_ma * (1_000 - margin_permille) // 1_000
    left_ma = left_ma * (1_000 - settings.sensor_tolerance_permille) // 1_000
    return max(0, left_ma - settings.sensor_tolerance_ma)


def temperature_permille(
    curve: tuple[tuple[int, int], ...], cold_decic: int | None, hot_decic: int | None
) -> int:
    """Return the derating by temperature; unknown temperature: 0, unless nothing is derated."""
    if not curve:
        return 1_000
    if cold_decic is None or hot_decic is None or cold_decic == COLDEST:
        return 0
    return min(along(curve, cold_decic), along(curve, hot_decic))


def cell_permille(curve: tuple[tuple[int, int], ...], cell_mv: int | None) -> int:
    """Return the derating by the extreme cell; unknown: 0, unless nothing is derated."""
    if not curve:
        return 1_000
    return 0 if cell_mv is None else along(curve, cell_mv)
