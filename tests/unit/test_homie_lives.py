"""Homie devices over restarts, losses and removals: versions, states, wills."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.homie_board import OAK, ROOT, Board, Message, topics


def described(board: Board) -> list[Message]:
    return [one for one in board.last if one[0].endswith("$description")]


def test_a_version_rises_when_the_description_changes() -> None:
    """Also across a restart: what the broker had kept is looked at first."""
    before = Board("oak")
    before.opens()
    kept = described(before)
    same = Board("oak")
    same.opens(*kept)
    assert described(same) == kept
    more = Board("oak", "fir")
    more.opens(*kept)
    versions = {topic: json.loads(payload)["version"] for topic, payload, _, _ in described(more)}
    assert versions == {ROOT + "$description": 2, OAK + "$description": 1,
                        "homie/5/battery-bank-fir/$description": 1}  # fmt: skip


def test_a_description_that_comes_late_is_still_outdone() -> None:
    """A slow broker must not leave us with an older version."""
    board = Board("oak")
    board.opens()
    other = json.dumps({"homie": "5.0", "version": 41, "nodes": {}}).encode()
    board.hears("$description", other, retained=True)
    board.turns(3)
    [payload] = [payload for topic, payload, _, _ in described(board) if topic.startswith(ROOT)]
    assert json.loads(payload)["version"] == 42


def test_a_pack_that_is_no_longer_ours_is_removed() -> None:
    """Its $state is emptied first, then the rest of its topics; nobody else's are touched."""
    before = Board("oak", "fir")
    before.opens()
    kept = described(before)
    body = json.loads(kept[0][1])
    body["children"] += ["somebody-else", "Bad Id", 5]
    after = Board("oak")
    out = after.opens((kept[0][0], json.dumps(body).encode(), True, 2), *kept[1:])
    gone = [one for one in out if one[0].startswith("homie/5/battery-bank-fir/")]
    assert gone[0] == ("homie/5/battery-bank-fir/$state", b"", True, 2)
    assert set(topics(gone)) == {
        one for one in topics(before.last) if one.startswith("homie/5/battery-bank-fir/")
    }
    assert all(payload == b"" for _, payload, _, _ in gone)
    assert not [one for one in topics(out) if "somebody" in one or "Bad" in one]


def test_the_whole_bank_can_be_removed() -> None:
    """Every retained topic that was published is emptied, and each $state first."""
    board = Board()
    published = {topic for topic, _, retained, _ in board.opens() if retained}
    removal = board.talker.removal()
    assert {topic for topic, _, _, _ in removal} == published
    assert all(payload == b"" for _, payload, _, _ in removal)
    assert removal[0][0] == ROOT + "$state"


def test_the_last_will_is_of_the_root_only() -> None:
    """One to a connection: the packs' devices follow the root."""
    assert Board().talker.will == (ROOT + "$state", b"lost", True, 2)


def test_leaving_on_purpose_is_no_loss() -> None:
    """The root says so first."""
    out = Board("oak").talker.closing(0, False)
    assert list(out) == [
        (ROOT + "$state", b"disconnected", True, 2), (OAK + "$state", b"disconnected", True, 2),
    ]  # fmt: skip


def test_a_late_will_is_contradicted() -> None:
    """The will of an earlier connection may come after we are back."""
    board = Board()
    board.opens()
    board.turns(2)
    board.hears("$state", b"lost")
    assert (ROOT + "$state", b"ready", True, 2) in board.turns(0.1)
    assert board.talker.counts.refused == 0
    board.hears("$state", b"ready")
    assert not [one for one in board.turns(0.1) if one[0].endswith("$state")]


def test_somebody_with_our_name_is_told_about() -> None:
    """And is not answered endlessly."""
    board = Board()
    board.opens()
    board.turns(2)
    for _ in range(50):
        board.hears("$state", b"disconnected")
    assert len([one for one in board.turns(0.5) if one[0].endswith("$state")]) == 1
    assert board.talker.counts.refused == 50
    assert "somebody else publishes it" in str(board.talker.counts.trouble)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                ["$state", "$description", "$alert/x", "asked/charge-current/set",
                 "asked/clear/set", "asked/stop-charge/set", "limits/hold-for"]
            ),
            st.one_of(
                st.binary(max_size=40),
                st.sampled_from([b"", b"\0", b"true", b"5", b"1e999", b"1e-999", b"-0", b"[" * 9_000,
                                 b'{"version": 1e400}', b'{"version": true}',
                                 b'{"version": 9007199254740992}', b'{"version": 7, "children": {}}',
                                 b'{"version": 7, "children": ["battery-bank-x", "battery-bank-/"]}']),
            ),
            st.booleans(),
        ),
        max_size=15,
    )
)  # fmt: skip
def test_whatever_comes_the_convention_is_kept(items: list[tuple[str, bytes, bool]]) -> None:
    """Nothing raises, and what goes out stays valid."""
    board = Board("oak", requests=True)
    board.opens()
    for path, payload, retained in items:
        board.hears(path, payload, retained)
        board.turns(0.1)
    board.turns(3)
    assert board.follower.states["battery-bank"] == "ready"
