"""Outputs never pass what any single party allows, at any step of any stream."""

from hypothesis import given
from hypothesis import strategies as st

from aggregator.plain import view_to_plain
from tests.strategies import banks, events, give, names_of, open_bank, orders, scripts, wishes

SIDES = ("charge", "discharge")


@st.composite
def runs(draw):
    settings = draw(banks())
    names = names_of(settings)
    asks = st.one_of(wishes(names), orders(names))
    return settings, draw(scripts(names, asks))


def watch(settings, script, check):
    """Play the script; after each step call `check(view, rows, last report of each pack)`."""
    bank = open_bank(settings)
    last = {}
    for event in events(script, names_of(settings)):
        if event["op"] == "step":
            view = view_to_plain(bank.step(event["t"]))
            check(view, {row["pack"]: row for row in view["packs"]}, last)
        elif give(bank, event) is None and event["op"] == "report":
            last[event["pack"]] = event


@given(runs())
def test_voltage_limits_are_within_every_members_own(run):
    """The charge voltage limit is at most, and the discharge voltage limit at least, the own limit
    of every pack that is not removed, silent ones included."""

    def check(view, rows, last):
        for name, report in last.items():
            if rows[name]["presence"] == "removed":
                continue
            own = report["charge_voltage_limit_mv"]
            assert own is None or view["charge_voltage_limit_mv"] <= own
            own = report["discharge_voltage_limit_mv"]
            assert own is None or view["discharge_voltage_limit_mv"] >= own

    watch(*run, check)


@given(runs())
def test_zero_current_and_no_permission_go_together(run):
    """A current limit is 0 exactly when its permission is False, and never negative."""

    def check(view, rows, last):
        for side in SIDES:
            limit = view[side + "_current_limit_ma"]
            assert limit >= 0
            assert view[side + "_allowed"] is (limit > 0)

    watch(*run, check)


@given(runs())
def test_nothing_beyond_the_bank_ceilings(run):
    """No limit passes the installer's ceiling for the bank."""
    settings = run[0]

    def check(view, rows, last):
        for side in SIDES:
            ceiling = settings.get(side + "_current_ceiling_ma")
            assert ceiling is None or view[side + "_current_limit_ma"] <= ceiling
        assert view["charge_voltage_limit_mv"] <= settings.get(
            "charge_voltage_ceiling_mv", 16 * 3_550
        )
        assert view["discharge_voltage_limit_mv"] >= settings.get(
            "discharge_voltage_floor_mv", 16 * 2_800
        )

    watch(*run, check)


@given(runs())
def test_nothing_beyond_the_sum_of_contributions(run):
    """A current limit is at most the sum of contributions; a contribution is at most the pack's own
    limit and its ceiling, and 0 unless the pack is live or late, willing, and not known open."""
    ceilings = {pack["pack"]: pack for pack in run[0]["packs"]}

    def check(view, rows, last):
        for side in SIDES:
            total = 0
            for name, row in rows.items():
                part = row[side + "_contribution_ma"]
                total += part
                if part == 0:
                    continue
                assert row["presence"] in ("live", "late")
                report = last[name]
                assert part <= report[side + "_current_limit_ma"]
                assert part <= ceilings[name].get(side + "_current_ceiling_ma", part)
                assert report[side + "_allowed"] is not False
                assert report[side + "_path_closed"] is not False
            assert view[side + "_current_limit_ma"] <= total

    watch(*run, check)


@given(runs())
def test_unheard_packs_bind_to_the_smallest_grant(run):
    """While any pack is unheard, a current limit is at most the smallest grant over the unheard
    packs (default 0), and the voltage limits are at the limp voltages or more cautious."""
    granted = {pack["pack"]: pack for pack in run[0]["packs"]}

    def check(view, rows, last):
        for name, row in rows.items():
            if row["presence"] == "unheard":
                for side in SIDES:
                    grant = granted[name].get("unheard_" + side + "_current_ma", 0)
                    assert view[side + "_current_limit_ma"] <= grant
                assert view["charge_voltage_limit_mv"] <= 16 * 3_320
                assert view["discharge_voltage_limit_mv"] >= 16 * 3_100

    watch(*run, check)


@given(runs())
def test_a_refusal_with_the_path_closed_or_unknown_stops_the_bank(run):
    """A heard pack that refuses, and whose path is closed, or unknown without being known to open,
    gives 0 outright."""
    opens = {pack["pack"]: pack.get("opens_path_on_refusal", False) for pack in run[0]["packs"]}

    def check(view, rows, last):
        for name, report in last.items():
            if rows[name]["presence"] not in ("live", "late"):
                continue
            for side, sign in (("charge", 1), ("discharge", -1)):
                if report[side + "_allowed"] is not False or report[side + "_path_closed"] is False:
                    continue
                current = report["current_ma"]
                still = current is not None and sign * current <= 1_000
                if report[side + "_path_closed"] is True or not (opens[name] and still):
                    assert view[side + "_current_limit_ma"] == 0

    watch(*run, check)
