"""Checks of settings against their tables; each raises SettingsError with field, expected, got."""

from .errors import SettingsError
from .ranges import STAGE_INTS


def check_ints(record: object, table: tuple[tuple[str, int, int, bool], ...]) -> None:
    for name, low, high, optional in table:
        value = getattr(record, name)
        if value is None and optional:
            continue
        if type(value) is not int or value < low or value > high:
            expected = str(low) + ".." + str(high) + (" or null" if optional else "")
            raise SettingsError(name, expected, value)


def check_flags(record: object, names: tuple[str, ...]) -> None:
    for name in names:
        value = getattr(record, name)
        if value is not True and value is not False:
            raise SettingsError(name, "true or false", value)


def check_choices(record: object, table: tuple[tuple[str, tuple[str, ...]], ...]) -> None:
    for name, words in table:
        value = getattr(record, name)
        if type(value) is not str or value not in words:
            raise SettingsError(name, " or ".join(words), value)


def rows_of(name: str, value: object, width: int, expected: str) -> list[tuple[object, ...]]:
    """Return a list of rows of `width` elements each, or raise SettingsError."""
    if not isinstance(value, (list, tuple)):
        raise SettingsError(name, expected, value)
    rows = []
    for row in value:
        if not isinstance(row, (list, tuple)) or len(row) != width:
            raise SettingsError(name, expected, row)
        rows.append(tuple(row))
    return rows


def curve_points(name: str, value: object) -> tuple[tuple[int, int], ...]:
    expected = "pairs (x, permille 0..1000) with rising x"
    points: list[tuple[int, int]] = []
    for x, permille in rows_of(name, value, 2, expected):
        if type(x) is not int or x < -1_000 or x > 10_000:
            raise SettingsError(name, expected, x)
        if type(permille) is not int or permille < 0 or permille > 1_000:
            raise SettingsError(name, expected, permille)
        if points and points[-1][0] >= x:
            raise SettingsError(name, expected, x)
        points.append((x, permille))
    return tuple(points)


def adjustable_rows(value: object) -> tuple[tuple[str, int, int], ...]:
    expected = "rows (stage field, lowest, highest)"
    rows = []
    for field, low, high in rows_of("adjustable", value, 3, expected):
        if not isinstance(field, str) or type(low) is not int or type(high) is not int:
            raise SettingsError("adjustable", expected, field)
        for name, least, most, _ in STAGE_INTS:
            if name == field and least <= low <= high <= most:
                break
        else:
            raise SettingsError("adjustable", "a stage field and bounds within its range", field)
        rows.append((field, low, high))
    return tuple(rows)


def per_cell(value: int | None, cell_mv: int, cell_count: int) -> int:
    """Return `value`, or `cell_mv` for each cell where the installer left it open."""
    return cell_mv * cell_count if value is None and type(cell_count) is int else value  # type: ignore[return-value]  # checked right after
