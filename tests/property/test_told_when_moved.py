"""What a step tells again only when it has changed is what telling everything anew would tell."""

from hypothesis import given

from aggregator.fields import VIEW_FIELDS
from tests.property.test_order_and_time import runs
from tests.strategies import events, give, names_of, open_bank


def told(bank):
    """Return every field of the view, and each voltage side's tightest own limit."""
    fields = [getattr(bank.view, name) for name in VIEW_FIELDS]
    return fields, [(side.tightest_own_mv, side.own_pack) for side in bank.voltages]


@given(runs())
def test_what_has_not_moved_is_still_right(run):
    """Charge, health, temperatures and own voltage limits are never left as they were once."""
    settings, script = run
    board = open_bank(settings)
    bank = board._bank
    for event in events(script, names_of(settings)):
        if event["op"] != "step":
            give(board, event)
            continue
        board.step(event["t"])
        before = told(bank)
        bank.merge.charge_moved = bank.merge.temperature_moved = True
        bank.merge.tell(bank.view, bank.packs, bank.fresh_bus_ma())
        for side in bank.voltages:
            side.own_moved = True
            side.survey()
        assert told(bank) == before
        bank.merge.charge_moved = bank.merge.temperature_moved = False
