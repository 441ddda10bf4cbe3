"""What a step tells again only when it has changed is what telling everything anew would tell."""

from hypothesis import given

from aggregator.fields import VIEW_FIELDS
from tests.property.test_order_and_time import runs
from tests.strategies import events, give, names_of, open_bank

COUNTED = ("live", "unknown", "alarmed")


def told(bank):
    """Return every field of the view, and whatever else is worked out only when it has moved."""
    return [
        [getattr(bank.view, name) for name in VIEW_FIELDS],
        [getattr(bank.merge, name + "_count") for name in COUNTED],
        [(side.some_late, side.some_unheard) for side in bank.currents],
        [(side.unknown, side.unknown_pack) for side in bank.currents],
        [(side.refuser, side.contributions_ma, side.ramps_ma) for side in bank.currents],
        [(side.some_late, side.unheard_pack) for side in bank.voltages],
        [(side.tightest_own_mv, side.own_pack, side.some_arrived) for side in bank.voltages],
    ]


@given(runs())
def test_what_has_not_moved_is_still_right(run):
    """Who is there, charge, health, cells, temperatures, what the packs' rows add up to and their own
    voltage limits are never left as they were once."""
    settings, script = run
    board = open_bank(settings)
    bank = board._bank
    for event in events(script, names_of(settings)):
        if event["op"] != "step":
            give(board, event)
            continue
        board.step(event["t"])
        before = told(bank)
        assert not bank.merge.who_moved
        bank.merge.who_moved = bank.merge.cells_moved = True
        bank.merge.charge_moved = bank.merge.temperature_moved = True
        bank.note_presence()
        bank.merge.tell(bank.view, bank.packs, bank.fresh_bus_ma())
        for side in bank.currents:
            side.add_up()
        for side in bank.voltages:
            side.moved = True
            side.survey()
        assert told(bank) == before
