"""Reports out of parts: whole ones only, as old as their oldest part; bad news at once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.assembly import FORGET_MS, Assembly, element
from aggregator.ticks import TICK_MASK, since


def two() -> Assembly:
    """A pack that tells its state and its limits in two parts, and its warmth now and then."""
    return Assembly("oak", {"state": None, "limits": None, "warmth": 60_000})


def test_a_report_waits_for_every_part_of_the_cycle() -> None:
    """And for nothing else; its age is its oldest part's."""
    oak = two()
    assert oak.put("state", {"voltage_mv": 53_000}, 0) is None
    first = oak.put("limits", {"charge_current_limit_ma": 50_000}, 400)
    assert first is not None
    assert (first.voltage_mv, first.charge_current_limit_ma, first.age_ms) == (53_000, 50_000, 400)
    assert oak.put("limits", {"charge_current_limit_ma": 50_000}, 1_000) is None
    second = oak.put("state", {"voltage_mv": 53_100}, 1_100)
    assert second is not None
    assert (second.sample, first.sample, second.age_ms) == (2, 1, 100)


def test_a_half_that_fell_silent_makes_no_reports() -> None:
    """However much the other half talks."""
    oak = two()
    oak.put("state", {"voltage_mv": 53_000}, 0)
    oak.put("limits", {"charge_current_limit_ma": 50_000}, 0)
    assert not [
        one for t in range(1, 100) if (one := oak.put("state", {"voltage_mv": t}, t * 1_000))
    ]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"charge_allowed": True}, {"charge_allowed": False}),
        ({"charge_current_limit_ma": 50_000}, {"charge_current_limit_ma": 49_999}),
        ({"charge_current_limit_ma": 50_000}, {"charge_current_limit_ma": None}),
        ({"discharge_voltage_limit_mv": 44_000}, {"discharge_voltage_limit_mv": 44_001}),
        ({"protections": ()}, {"protections": ("short_circuit",)}),
    ],
)
def test_bad_news_does_not_wait(before: dict[str, object], after: dict[str, object]) -> None:
    """It is handed over with what else is known, and with its true age."""
    oak = two()
    oak.put("state", {"voltage_mv": 53_000}, 0)
    oak.put("limits", before, 0)
    report = oak.put("limits", after, 700)
    assert report is not None
    assert (report.voltage_mv, report.age_ms) == (53_000, 700)
    assert {name: getattr(report, name) for name in after} == after


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"charge_allowed": False}, {"charge_allowed": True}),
        ({"charge_current_limit_ma": 50_000}, {"charge_current_limit_ma": 50_001}),
        ({"charge_current_limit_ma": None}, {"charge_current_limit_ma": 50_001}),
        ({"protections": ("short_circuit",)}, {"protections": ()}),
    ],
)
def test_good_news_waits_its_turn(before: dict[str, object], after: dict[str, object]) -> None:
    """Half a report that loosens something is not believed before the other half has come."""
    oak = two()
    oak.put("state", {"voltage_mv": 53_000}, 0)
    oak.put("limits", before, 0)
    assert oak.put("limits", after, 700) is None


def test_slow_values_count_until_they_are_too_old() -> None:
    """Then they are unknown."""
    oak = two()
    oak.put("warmth", {"temperature_max_decic": 250}, 0)
    oak.put("state", {}, 59_000)
    report = oak.put("limits", {}, 60_000)
    assert report is not None
    assert report.temperature_max_decic == 250
    oak.put("state", {}, 60_500)
    report = oak.put("limits", {}, 60_501)
    assert report is not None
    assert report.temperature_max_decic is None


def test_a_cycle_needs_a_part() -> None:
    """With nothing but slow parts, nothing would ever be handed over."""
    with pytest.raises(ValueError, match="at least one part"):
        Assembly("oak", {"warmth": 60_000})


@given(
    st.integers(0, TICK_MASK),
    st.lists(
        st.tuples(st.sampled_from(["state", "limits"]), st.integers(0, 2 * FORGET_MS)), max_size=40
    ),
)
def test_a_report_is_as_old_as_its_oldest_part(start_ms: int, puts: list[tuple[str, int]]) -> None:
    """Also over a wrap of the counter; and every part of the cycle has come since the last."""
    oak, now_ms = two(), start_ms
    came: dict[str, int] = {}
    for name, pause_ms in puts:
        now_ms = (now_ms + pause_ms) & TICK_MASK
        came[name] = now_ms
        report = oak.put(name, {}, now_ms)
        if report is not None:
            assert report.age_ms == max(since(now_ms, at_ms) for at_ms in came.values())
            assert len(came) == 2
            came = {}


def test_a_needed_part_must_be_known() -> None:
    """A slow part that may forbid holds reports back until it has come, and when it is too old."""
    oak = Assembly("oak", {"state": None, "alarms": 5_000}, needed=["alarms"])
    assert oak.put("state", {}, 0) is None
    assert oak.put("alarms", {"protections": ("other",)}, 100) is not None
    assert oak.put("state", {}, 5_100) is not None
    assert oak.put("state", {"charge_allowed": True}, 5_101) is None


def test_bad_news_does_not_wait_for_a_needed_part_either() -> None:
    """It comes with what that part said last, and is as old as that."""
    oak = Assembly("oak", {"state": None, "alarms": 5_000}, needed=["alarms"])
    assert oak.put("state", {"charge_allowed": True}, 0) is None
    assert oak.put("state", {"charge_allowed": False}, 50) is None  # alarms were never heard
    oak.put("alarms", {"protections": ("other",)}, 100)
    oak.put("state", {"charge_allowed": True}, 200)
    report = oak.put("state", {"charge_allowed": False}, 9_000)
    assert report is not None
    assert (report.charge_allowed, report.protections, report.age_ms) == (False, ("other",), 8_900)


@pytest.mark.parametrize("name", ["charge_allowed", "discharge_allowed"])
def test_a_permission_told_as_unknown_is_none(name: str) -> None:
    """A number that stands for neither yes nor no, or for no data, must not let anybody charge; a
    board that has no such flag tells nothing."""
    oak = Assembly("oak", {"state": None})
    told = oak.put("state", {name: None}, 0)
    assert told is not None
    assert getattr(told, name) is False
    silent = oak.put("state", {}, 1_000)
    assert silent is not None
    assert getattr(silent, name) is None


def test_alarms_of_several_parts_are_united() -> None:
    """No part takes back what another one tells; unknown is what none of them tells."""
    oak = Assembly("oak", {"a": None, "b": None})
    oak.put("a", {"warnings": ("other",), "protections": None}, 0)
    report = oak.put("b", {"warnings": ("cell_imbalance",), "protections": None}, 0)
    assert report is not None
    assert (report.warnings, report.protections) == (("cell_imbalance", "other"), None)


def test_a_list_comes_in_parts() -> None:
    """Its elements are put in order; with one unknown, or in a part that is too old, it is unknown."""
    oak = Assembly("oak", {"a": None, "b": 1_000}, {"cells_mv": 3})
    oak.put("b", {element("cells_mv", 3): 3_303}, 0)
    report = oak.put("a", {element("cells_mv", 2): 3_302, element("cells_mv", 1): 3_301}, 0)
    assert report is not None
    assert report.cells_mv == (3_301, 3_302, 3_303)
    report = oak.put("a", {element("cells_mv", 2): None, element("cells_mv", 1): 3_301}, 500)
    assert report is not None
    assert report.cells_mv is None
    report = oak.put("a", {element("cells_mv", 2): 3_302, element("cells_mv", 1): 3_301}, 1_001)
    assert report is not None
    assert report.cells_mv is None


def test_a_part_may_tell_its_age() -> None:
    """It is added to the time since the part came; one that is unknown adds nothing."""
    oak = two()
    oak.put("state", {"voltage_mv": 53_000, "age_ms": 3_000}, 0)
    first = oak.put("limits", {"charge_current_limit_ma": 50_000}, 400)
    assert first is not None
    assert first.age_ms == 3_400
    oak.put("state", {"voltage_mv": 53_000, "age_ms": None}, 1_000)
    second = oak.put("limits", {"charge_current_limit_ma": 50_000}, 1_100)
    assert second is not None
    assert second.age_ms == 100


@pytest.mark.parametrize("name", ["charge_voltage_limit_mv", "charge_path_closed"])
def test_a_part_without_its_limit_is_not_taken_but_for_bad_news(name: str) -> None:
    """To the core an unknown voltage limit is none. A board that forbids charging may well tell no
    voltage for it: that it forbids does not wait, and the voltage is the one before."""
    oak, before = Assembly("oak", {"state": None}), {name: 57_000}
    assert oak.put("state", {"charge_allowed": False, name: None}, 0) is None  # it never said one
    assert oak.put("state", {"charge_allowed": True, **before}, 1_000) is not None
    assert oak.put("state", {"charge_allowed": True, name: None}, 2_000) is None
    refused = oak.put("state", {"charge_allowed": False, name: None}, 3_000)
    assert refused is not None
    assert (refused.charge_allowed, getattr(refused, name)) == (False, 57_000)
    assert oak.put("state", {"charge_allowed": False, name: None}, 4_000) is None
