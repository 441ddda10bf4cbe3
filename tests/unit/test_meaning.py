"""What a number on a bus means: units, scales, signs, no data; exactly, and to the safe side."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.meaning import DOWN, RANGES, UNITS, UP, Meaning, complaints_of, merged


@pytest.mark.parametrize(
    ("meaning", "raw", "value"),
    [
        (Meaning(field="voltage_mv", unit="V", scale=0.01), 5_312, 53_120),
        (Meaning(field="current_ma", unit="A", scale=0.1), -425, -42_500),
        (Meaning(field="current_ma", unit="A", scale=0.1, positive="discharge"), 425, -42_500),
        (Meaning(field="current_ma", unit="A", scale=0.1, offset=-1600), 16_000, 0),
        (Meaning(field="soc_permille", unit="%"), 87.5, 875),
        (Meaning(field="temperature_min_decic", unit="K", scale=0.01), 29_815, 250),
        (Meaning(field="temperature_max_decic", unit="°C", offset=-40), 65, 250),
        (Meaning(field="capacity_mah", unit="Ah"), 314, 314_000),
        (Meaning(field="voltage_mv", unit="V"), 53.12, 53_120),  # not 53 119.999...
        (Meaning(field="cells_mv"), 3_331, 3_331),
    ],
)
def test_a_number_says_its_value(meaning: Meaning, raw: float, value: int) -> None:
    """Scale and offset give the unit; the unit gives the core's."""
    assert meaning.value(raw) == value


@pytest.mark.parametrize(
    ("meaning", "raw"),
    [
        (Meaning(field="soc_permille", unit="%", no_data=[255]), 255),
        (Meaning(field="soc_permille", unit="%"), 101),
        (Meaning(field="voltage_mv", unit="V"), float("nan")),
        (Meaning(field="voltage_mv", unit="V"), float("inf")),
        (Meaning(field="charge_current_limit_ma", unit="A"), -1),
        (Meaning(field="charge_allowed"), 2),
        (Meaning(field="protections", bits={"0": "short_circuit"}, no_data=[65_535]), 65_535),
    ],
)
def test_what_is_no_value_is_unknown(meaning: Meaning, raw: float) -> None:
    """No-data codes, and what no report could carry, never become numbers."""
    assert meaning.value(raw) is None


def test_flags_and_alarms() -> None:
    """A bit of a number, a choice of numbers, several alarms in one word."""
    assert Meaning(field="charge_allowed", bit=3).value(8) is True
    assert Meaning(field="charge_allowed", bit=3).value(7) is False
    assert Meaning(field="charge_allowed", true=[0], false=[1]).value(0) is True
    alarms = Meaning(field="warnings", bits={"0": "cell_imbalance", "15": "other"})
    assert alarms.value(0x8001) == ("cell_imbalance", "other")
    assert alarms.value(0x0002) == ()


@given(st.sampled_from(sorted(RANGES)), st.integers(-(10**7), 10**7), st.data())
def test_both_ways_to_the_safe_side(field: str, value: int, data: st.DataObject) -> None:
    """Written as whole numbers and read back, a limit is never more, an extreme never less extreme,
    a measured value within half a step; whatever unit, scale, offset and sign."""
    unit = data.draw(
        st.sampled_from([one for one in UNITS if field.endswith("_" + UNITS[one][0])] or [None])
    )
    scale = data.draw(st.sampled_from([0.001, 0.01, 0.05, 0.1, 0.5, 1, 2, 10]))
    sign = (
        data.draw(st.sampled_from(["charge", "discharge"])) if field == "current_ma" else "charge"
    )
    offset = data.draw(st.sampled_from([0, -40, 1.5]))
    row = Meaning(field=field, unit=unit, scale=scale, offset=offset, positive=sign)  # type: ignore[arg-type]  # one of two
    low, high = RANGES[field]
    value = max(low, min(high, value))
    back = row.value(row.raw_rounded(value))
    if back is None:  # the step led out of the range: unknown, which is safe
        return
    assert isinstance(back, int)
    if field in DOWN:
        assert back <= value
    elif field in UP:
        assert back >= value
    step = abs(row.raw(1) - row.raw(0))
    assert abs(back - value) <= 1 + (1 / step if step else 0)


def test_rows_join_in_order_and_a_hole_makes_a_list_unknown() -> None:
    """Alarms are united, lists put in order; a missing cell could be the extreme one."""

    def cell(number: int) -> Meaning:
        return Meaning(field="cells_mv", number=number)

    alarm = Meaning(field="warnings", bits={"0": "other"})
    assert merged([(cell(2), 3_300), (cell(1), 3_200)]) == {"cells_mv": (3_200, 3_300)}
    assert merged([(cell(1), 3_300), (cell(2), None)]) == {"cells_mv": None}
    assert merged([(cell(1), 3_300), (cell(3), 3_300)]) == {"cells_mv": None}
    assert merged([(alarm, ("other",)), (alarm, ("cell_imbalance",))]) == {
        "warnings": ("cell_imbalance", "other")
    }
    assert merged([(alarm, None)]) == {"warnings": None}


@pytest.mark.parametrize(
    ("row", "key", "hint"),
    [
        (Meaning(field="voltage"), "field", 'did you mean "voltage_mv"?'),
        (Meaning(field="voltage_mv", unit="A"), "unit", ""),
        (Meaning(field="voltage_mv", scale=0), "scale", ""),
        (Meaning(field="voltage_mv", positive="discharge"), "positive", ""),
        (Meaning(field="charge_allowed", bit=64), "bit", ""),
        (Meaning(field="charge_allowed", true=[0]), "true", "a flag that says yes by 0"),
        (Meaning(field="charge_allowed", false=[]), "false", ""),
        (Meaning(field="cells_mv", number=0), "number", ""),
        (Meaning(field="warnings"), "bits", ""),
        (Meaning(field="warnings", bits={"0": "fire"}), "bits", ""),
    ],
)
def test_what_cannot_be_right_is_told_at_its_key(row: Meaning, key: str, hint: str) -> None:
    """One complaint, at the key it is about."""
    (complaint,) = complaints_of(
        row, (*RANGES, "charge_allowed", "cells_mv", "warnings"), ("rows", 0)
    )
    assert complaint.place[:3] == ("rows", 0, key)
    assert complaint.hint.startswith(hint)
