"""Several sources on one RV-C bus: each gets an address of its own, one speaks, and another takes over."""

from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.rvc.rank import TAKE_OVER_MS
from adapters.rvc.settings import SaysRvc
from adapters.rvc.source import RvcSource
from tests.rvc_bus import view

TURN_MS = 20
SHOWN = view()
# Identity number (no two alike), priority, first address, when it is switched on [ms].
devices = st.lists(
    st.tuples(
        st.integers(0, 1_000), st.sampled_from([100, 120, 120, 130]), st.sampled_from([70, 174, 175]),
        st.integers(0, 100).map(lambda turns: turns * TURN_MS),
    ),
    min_size=1, max_size=4, unique_by=lambda device: device[0],
)  # fmt: skip


def play(
    sources: dict[int, tuple[int, RvcSource]], start_ms: int, end_ms: int
) -> list[tuple[int, int, int]]:
    """Let sources talk on one bus; return who said a status when: time, number, address."""
    said = []
    for now_ms in range(start_ms, end_ms, TURN_MS):
        for number, (on_ms, talker) in sources.items():
            if now_ms == on_ms:
                talker.opened(now_ms)
            if now_ms < on_ms:
                continue
            for frame in list(talker.due(now_ms, SHOWN, True)):
                if frame[0] >> 8 & 0x1FFFF not in (0xEEFF, 0x1FECA):
                    said.append((now_ms, number, frame[0] & 0xFF))
                for other, (other_on_ms, hearer) in sources.items():
                    if other != number and now_ms >= other_on_ms:
                        hearer.received(frame, now_ms)
    return said


@given(devices)
@settings(max_examples=25, deadline=None)
def test_one_speaks_and_another_takes_over(several: list[tuple[int, int, int, int]]) -> None:
    """After the start all addresses differ, and only the source that goes first speaks; when it is
    gone, the next one does, not before TAKE_OVER_MS and not much later."""
    sources = {}
    for identity, priority, address, on_ms in several:
        chosen = SaysRvc(
            manufacturer_code=0, identity_number=identity, priority=priority, address=address
        )
        sources[identity] = (on_ms, chosen.talker())
    play(sources, 0, 6_000)
    now_ms = 6_000
    while sources:
        addresses = [talker.address.own for _, talker in sources.values()]
        assert len(set(addresses)) == len(addresses)
        ranks = {one[0]: (one[1], sources[one[0]][1].address.own) for one in several if one[0] in sources}  # fmt: skip
        first = max(ranks, key=lambda number: ranks[number])
        said = play(sources, now_ms, now_ms + 2_000)
        assert {number for _, number, _ in said} == {first}
        del sources[first]
        after = play(sources, now_ms + 2_000, now_ms + 2_000 + TAKE_OVER_MS + 3_000)
        if sources:
            assert TAKE_OVER_MS - 1_000 <= after[0][0] - (now_ms + 2_000) <= TAKE_OVER_MS + 1_000
        now_ms += 2_000 + TAKE_OVER_MS + 3_000
