"""What must not matter: order of packs, order of arrival, repeats, and where the counter starts."""

from hypothesis import given
from hypothesis import strategies as st

from tests.strategies import (
    banks,
    events,
    names_of,
    orders,
    play,
    scripts,
    starts,
    wishes,
)


@st.composite
def runs(draw):
    """A bank and a script in which the owner only wishes."""
    settings = draw(banks(least=2))
    names = names_of(settings)
    return settings, draw(scripts(names, wishes(names)))


def shuffled_steps(happenings, rng):
    """The same events, in another order between any two steps."""
    shuffled, since_step = [], []
    for event in happenings:
        if event["op"] == "step":
            rng.shuffle(since_step)
            shuffled += [*since_step, event]
            since_step = []
        else:
            since_step.append(event)
    return shuffled


def with_bus(happenings):
    """Add a reading of a bus meter before each step, so that its order is tried too."""
    added = []
    for number, event in enumerate(happenings):
        if event["op"] == "step":
            bus = {"op": "bus", "t": event["t"], "sample": number & 0xFFFF, "current_ma": number}
            added.append(bus)
        added.append(event)
    return added


@given(runs(), st.randoms(use_true_random=False))
def test_order_of_packs_in_the_settings_changes_nothing(run, rng):
    """The order in which the settings name the packs changes no field of any view."""
    settings, script = run
    happenings = events(script, names_of(settings))
    packs, own = list(settings["packs"]), list(settings["own_packs"])
    rng.shuffle(packs)
    rng.shuffle(own)
    other = {**settings, "packs": packs, "own_packs": own}
    assert play(other, happenings) == play(settings, happenings)


@given(runs(), st.randoms(use_true_random=False), st.integers(0, 999))
def test_order_of_arrival_within_a_step_changes_nothing(run, rng, apart_ms):
    """The order in which different packs' reports, bus readings and wishes (of different kinds,
    packs or sources) arrive between two steps changes no field of any view.

    One report a pack between two steps: of two reports of one pack, the older sample is not news
    once the newer one is in.
    """
    settings, script = run
    happenings = with_bus(events(script, names_of(settings)))
    for number, event in enumerate(happenings):  # arriving at different moments, too
        if event["op"] == "report":
            event["t"] -= number % 3 * apart_ms // 3
    assert play(settings, shuffled_steps(happenings, rng)) == play(settings, happenings)


@given(runs(), st.randoms(use_true_random=False), st.integers(1, 3))
def test_duplicate_delivery_changes_nothing(run, rng, late):
    """Reports and bus readings that are delivered again, at once or up to three steps later,
    change no field of any view."""
    settings, script = run
    happenings = with_bus(events(script, names_of(settings)))
    repeated, waiting = [], []
    for event in happenings:
        repeated.append(event)
        if event["op"] == "step":
            waiting = [(again, left - 1) for again, left in waiting]
            repeated += [{**again, "t": event["t"]} for again, left in waiting if left <= 0]
            waiting = [(again, left) for again, left in waiting if left > 0]
        elif event["op"] != "request" and rng.random() < 0.3:
            repeated.append(event)
            waiting.append((event, rng.randint(1, late)))
    assert play(settings, repeated) == play(settings, happenings)


@given(runs(), starts, st.one_of(st.integers(0, 1 << 30), st.integers(-(1 << 70), 1 << 70)))
def test_where_the_counter_starts_changes_nothing(run, start_ms, shift_ms):
    """Adding a constant to every tick (the counter wraps at 2**30) changes no field of any view."""
    settings, script = run
    happenings = with_bus(events(script, names_of(settings), start_ms))
    moved = [{**event, "t": event["t"] + shift_ms} for event in happenings]
    wrapped = [{**event, "t": (event["t"] + shift_ms) & 0x3FFFFFFF} for event in happenings]
    views = play(settings, happenings)
    assert play(settings, moved) == views
    assert play(settings, wrapped) == views


@given(st.data())
def test_order_of_wishes_changes_nothing(data):
    """Wishes of different kinds, packs or sources may be asked in any order."""
    settings = data.draw(banks())
    names = names_of(settings)
    asked = data.draw(
        st.lists(
            wishes(names),
            max_size=8,
            unique_by=lambda wish: (wish["kind"], wish.get("pack"), wish["source"]),
        )
    )
    order = data.draw(st.permutations(asked))
    script = data.draw(scripts(names, orders(names)))
    runs = []
    for wanted in (asked, order):
        first = [{"op": "request", "t": 0, **wish} for wish in wanted]
        runs.append(play(settings, first + events(script, names)))
    assert runs[0] == runs[1]
