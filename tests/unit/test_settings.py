"""Settings that cannot be right are refused once, at the start, with the field that is wrong."""

from collections.abc import Callable

import pytest

from aggregator import BankSettings, PackSettings, SettingsError, StageSettings
from aggregator.ranges import (
    BANK_CHOICES,
    BANK_FLAGS,
    BANK_INTS,
    PACK_CURVES,
    PACK_FLAGS,
    PACK_INTS,
    STAGE_CHOICES,
    STAGE_INTS,
)
from aggregator.settings import MOST_PACKS

NO_NUMBERS = ("", "7", 1.0, float("nan"), True, [], {}, b"7", 10**30, -(10**30))


def pack(**fields: object) -> PackSettings:
    """One pack's settings with these fields."""
    return PackSettings("oak", **fields)  # type: ignore[arg-type]


def stages(**fields: object) -> StageSettings:
    """The daily charge's settings with these fields."""
    return StageSettings(**fields)  # type: ignore[arg-type]


def bank(**fields: object) -> BankSettings:
    """A one-pack bank's settings with these fields."""
    return BankSettings([PackSettings("oak")], **fields)  # type: ignore[arg-type]


def field_of(make: Callable[..., object], **fields: object) -> str:
    """Return the field that a SettingsError names."""
    with pytest.raises(SettingsError) as caught:
        make(**fields)
    assert str(caught.value).startswith(caught.value.field + ": expected ")
    return caught.value.field


INTS = [
    (make, *row)
    for make, table in ((pack, PACK_INTS), (stages, STAGE_INTS), (bank, BANK_INTS))
    for row in table
]
# What must go along so that an extreme value does not contradict another setting.
ALONG: dict[str, dict[str, object]] = {
    "absorption_min_ms": {"absorption_max_ms": 432_000_000},
    "absorption_max_ms": {"absorption_min_ms": 0},
    "cell_count": {"stages": StageSettings(absorption_mv=20_000, float_mv=19_000)},
    "charge_voltage_ceiling_mv": {"discharge_voltage_floor_mv": 5_000},
    "discharge_voltage_floor_mv": {"charge_voltage_ceiling_mv": 120_000},
    "limp_voltage_mv": {"limp_low_voltage_mv": 5_000},
    "limp_low_voltage_mv": {"limp_voltage_mv": 120_000},
    "fresh_ms": {"unheard_ms": 432_000_000},
    "unheard_ms": {"fresh_ms": 500},
    "coherent_ms": {"coherent_keep_ms": 3_600_000},
    "coherent_keep_ms": {"coherent_ms": 1_000},
}
CONTRADICTED_AT_MOST = ("discharge_voltage_floor_mv", "limp_low_voltage_mv")
CONTRADICTED_AT_LEAST = ("coherent_keep_ms",)


@pytest.mark.parametrize(
    ("make", "name", "low", "high", "optional"), INTS, ids=[row[1] for row in INTS]
)
def test_numbers_are_taken_within_their_range_only(
    make: Callable[..., object], name: str, low: int, high: int, optional: bool
) -> None:
    """Both ends of a range are good, one beyond is not; null only where the table says so."""
    along = ALONG.get(name, {})
    if name not in CONTRADICTED_AT_LEAST:
        assert getattr(make(**{name: low}, **along), name) == low
    if name not in CONTRADICTED_AT_MOST:
        assert getattr(make(**{name: high}, **along), name) == high
    for bad in (low - 1, high + 1, *NO_NUMBERS):
        assert field_of(make, **{name: bad}, **along) == name
    if optional:
        make(**{name: None}, **along)
    else:
        assert field_of(make, **{name: None}) == name


@pytest.mark.parametrize(
    ("make", "name"),
    [(pack, name) for name in PACK_FLAGS] + [(bank, name) for name in BANK_FLAGS],
    ids=PACK_FLAGS + BANK_FLAGS,
)
def test_flags_are_true_or_false(make: Callable[..., object], name: str) -> None:
    """A flag is not a number, not a word, and never unknown."""
    assert getattr(make(**{name: True}), name) is True
    for bad in (None, 0, 1, "true", [], {}):
        assert field_of(make, **{name: bad}) == name


@pytest.mark.parametrize(
    ("make", "name", "words"),
    [(stages, *row) for row in STAGE_CHOICES] + [(bank, *row) for row in BANK_CHOICES],
)
def test_choices_are_words_of_the_table(
    make: Callable[..., object], name: str, words: tuple[str, ...]
) -> None:
    """Every word of a choice is taken, the first is the default, and no other word is."""
    assert getattr(make(), name) == words[0]
    for word in words:
        assert getattr(make(**{name: word}), name) == word
    for bad in (None, "", "sometimes", 0, True, [], {}):
        assert field_of(make, **{name: bad}) == name


@pytest.mark.parametrize("name", PACK_CURVES)
@pytest.mark.parametrize(
    "curve",
    [
        None,
        7,
        "flat",
        {},
        [7],
        [(0, 0, 0)],
        [(0,)],
        ["ab"],
        [(0.0, 0)],
        [(0, 0.5)],
        [(0, -1)],
        [(0, 1_001)],
        [(True, 0)],
        [(-1_001, 0)],
        [(10_001, 0)],
        [(10, 0), (10, 500)],
        [(10, 0), (9, 500)],
    ],
    ids=repr,
)
def test_curves_are_rising_pairs(name: str, curve: object) -> None:
    """A curve is a list of pairs with rising x and 0..1000 permille, or it is refused."""
    assert field_of(pack, **{name: curve}) == name


def test_curves_may_come_as_lists_and_may_be_empty() -> None:
    """What a file gives as lists is the same curve; an empty one derates nothing."""
    assert pack(charge_cell_curve=[[3_400, 1_000], [3_500, 0]]).charge_cell_curve == (
        (3_400, 1_000),
        (3_500, 0),
    )
    assert pack(charge_cell_curve=[]).charge_cell_curve == ()
    widest = ((-1_000, 0), (10_000, 1_000))
    assert pack(charge_cell_curve=widest).charge_cell_curve == widest


@pytest.mark.parametrize("name", [None, "", "Oak", "o_k", "a" * 17, 7, [], {}])
def test_a_pack_needs_a_plain_name(name: object) -> None:
    """A pack's name is 1..16 characters of a-z, 0-9 and -."""
    with pytest.raises(SettingsError) as caught:
        PackSettings(name)  # type: ignore[arg-type]
    assert caught.value.field == "pack"


@pytest.mark.parametrize(
    "packs",
    [
        None,
        "oak",
        {},
        7,
        [],
        ["oak"],
        [PackSettings("oak"), None],
        [PackSettings("oak"), PackSettings("oak")],
        [PackSettings(f"p{number}") for number in range(MOST_PACKS + 1)],
    ],
    ids=["null", "text", "dict", "number", "none", "name", "hole", "twice", "65"],
)
def test_a_bank_has_1_to_64_packs_each_once(packs: object) -> None:
    """Too few, too many, or the same pack twice: no bank."""
    with pytest.raises(SettingsError) as caught:
        BankSettings(packs)  # type: ignore[arg-type]
    assert caught.value.field == "packs"


def test_a_misspelt_pack_setting_is_refused() -> None:
    """An unknown name is no setting of a pack, and is named."""
    assert field_of(pack, capacity_ah=280) == "capacity_ah"


def test_64_packs_are_a_bank() -> None:
    """The largest bank is taken."""
    packs = [PackSettings(f"p{number}") for number in range(MOST_PACKS)]
    assert len(BankSettings(tuple(packs)).packs) == 64


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"fresh_ms": 30_000}, "fresh_ms"),  # unheard_ms: 30 000
        ({"coherent_ms": 10_000, "coherent_keep_ms": 9_999}, "coherent_keep_ms"),
        ({"stages": StageSettings(float_mv=55_200)}, "float_mv"),  # absorption: 55 200
        ({"stages": StageSettings(absorption_mv=53_600)}, "float_mv"),  # float: 53 600
        ({"limp_low_voltage_mv": 53_120}, "limp_low_voltage_mv"),  # limp: 53 120
        ({"limp_voltage_mv": 49_600}, "limp_low_voltage_mv"),
        ({"discharge_voltage_floor_mv": 56_800}, "discharge_voltage_floor_mv"),
        ({"charge_voltage_ceiling_mv": 44_800}, "discharge_voltage_floor_mv"),
        ({"own_packs": ["elm"]}, "own_packs"),
        ({"own_packs": "oak"}, "own_packs"),
        ({"own_packs": None}, "own_packs"),
        ({"own_packs": [["oak"]]}, "own_packs"),
        ({"stages": "daily"}, "stages"),
        ({"stages": {}}, "stages"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_contradictions_in_a_bank_are_refused(fields: dict[str, object], place: str) -> None:
    """Settings that contradict each other name the one to change."""
    assert field_of(bank, **fields) == place


def test_contradictions_elsewhere_are_refused() -> None:
    """A minimum above its maximum is refused; the ranges of a cell's bounds never overlap."""
    assert field_of(stages, absorption_min_ms=60_001, absorption_max_ms=60_000) == (
        "absorption_min_ms"
    )
    narrow = PackSettings("oak", cell_floor_mv=3_200, cell_ceiling_mv=3_300)
    assert BankSettings([narrow]).packs[0].cell_floor_mv == 3_200


@pytest.mark.parametrize(
    "rows",
    [
        None,
        7,
        "absorption_ms",
        [("absorption_ms", 0)],
        [("absorption_ms", 0, "x")],
        [("absorption_ms", 0.0, 10)],
        [("absorption_ms", 10, 0)],
        [("absorption_ms", -1, 10)],
        [("absorption_ms", 0, 432_000_001)],
        [("absorption_mode", 0, 1)],
        [("weather", 0, 1)],
        [(["absorption_ms"], 0, 1)],
    ],
    ids=repr,
)
def test_the_owner_may_adjust_only_stage_numbers_within_their_range(rows: object) -> None:
    """`adjustable` names fields of the daily charge, with bounds inside the field's own."""
    assert field_of(stages, adjustable=rows) == "adjustable"


def test_bounds_themselves_are_within() -> None:
    """A stage field's whole range and one value of it, points a unit apart, windows just as long."""
    for curve in (((0, 0), (1, 0), (2, 0)), ((-1_000, 1_000), (-999, 0), (10_000, 0))):
        assert pack(charge_cell_curve=curve).charge_cell_curve == curve
    for name, low, high, _ in STAGE_INTS:
        for row in ((name, low, high), (name, low, low), (name, high, high)):
            assert stages(adjustable=[row]).adjustable == (row,)
        for row in ((name, low - 1, high), (name, low, high + 1), (name, high, low)):
            assert field_of(stages, adjustable=[row]) == "adjustable"
    assert bank(coherent_ms=20_000, coherent_keep_ms=20_000).coherent_keep_ms == 20_000
    assert bank(fresh_ms=29_999).fresh_ms == 29_999
