"""The bank as Homie devices: the convention's rules, and what goes out when."""

import pytest

from aggregator.view import Finding
from tests.homie_board import ROOT, Board, topics


@pytest.mark.source("HOMIE5", "Device Lifecycle, Device Attributes, Property Attributes, Payload")
def test_the_announcement_keeps_to_the_convention() -> None:
    """States, descriptions and values are valid, and come in the order that is asked for."""
    board = Board(requests=True)
    out = board.opens()
    own = [payload for topic, payload, _, _ in out if topic == ROOT + "$state"]
    assert own == [b"init", b"ready"]
    described = board.follower.described
    assert described["battery-bank"]["children"] == ["battery-bank-oak", "battery-bank-fir"]
    assert described["battery-bank-oak"]["root"] == "battery-bank"
    assert board.follower.states == {
        "battery-bank": "ready", "battery-bank-oak": "ready", "battery-bank-fir": "ready",
    }  # fmt: skip
    assert board.follower.values["battery-bank/measured/voltage"] == "53.000"
    assert board.follower.values["battery-bank/limits/charge-current"] == "100.000"


@pytest.mark.source("HOMIE5", "Property Attributes: every value has a described property")
def test_every_described_value_is_there_or_unknown() -> None:
    """Nothing is described and never told, nothing told and not described."""
    board = Board()
    told = set(topics(board.opens()))
    for device, body in board.follower.described.items():
        for node, plain in body["nodes"].items():
            for one in plain["properties"]:
                assert f"homie/5/{device}/{node}/{one}" in told


def test_only_what_changed_goes_out() -> None:
    """A bank at rest says nothing but that its limits hold."""
    board = Board()
    board.opens()
    board.steps()
    out = board.steps(4)
    assert {topic for topic in topics(out) if "/limits/" not in topic} == set()
    board.site.says("oak", soc_permille=520)
    board.site.runs(1)
    assert ROOT + "measured/charge" in topics(board.turns(1))


def test_changed_values_wait_for_their_turn() -> None:
    """At most every `every_s`, however often the bank steps."""
    board = Board(every_s=2.0)
    board.opens()
    out = []
    for number in range(10):
        board.site.says("oak", current_ma=number * 1_000)
        out += board.steps()
    assert 4 <= topics(out).count(ROOT + "measured/current") <= 6


def test_everything_is_told_again_now_and_then() -> None:
    """Whoever lost a message has the value after `refresh_s`."""
    board = Board(refresh_s=10.0)
    known = {one for one in topics(board.opens()) if "/measured/" in one}
    told = topics(board.steps(12))
    assert {one for one in known if one in told} == {
        topic for topic in known if board.follower.values.get(topic.removeprefix("homie/5/"))
    }


def test_unknown_is_an_empty_topic() -> None:
    """The old value does not stay with the broker."""
    board = Board()
    board.opens()
    board.site.says(soh_permille=None)
    out = board.steps(2)
    assert (ROOT + "measured/health", b"", True, 2) in out


def test_limits_come_as_a_block_with_its_last_word() -> None:
    """All limits, then how long they hold: never kept by the broker, and at every beat."""
    board = Board(beat_s=2.0)
    board.opens()
    out = board.turns(10)
    beats = [index for index, topic in enumerate(topics(out)) if topic == ROOT + "limits/hold-for"]
    assert 4 <= len(beats) <= 5
    for index in beats:
        block = out[index - 6 : index]
        assert all("/limits/" in topic and retained for topic, _, retained, _ in block)
        assert out[index] == (ROOT + "limits/hold-for", b"15", False, 0)


def test_a_limit_that_falls_does_not_wait() -> None:
    """Less is told in the next turn, more in its own time."""
    board = Board(every_s=5.0, beat_s=7.0)
    board.opens()
    board.turns(6)
    board.site.asks("cap_charge_current", value=10_000)
    board.site.runs(1)
    out = board.turns(0.02)
    assert (ROOT + "limits/charge-current", b"10.000", True, 0) in out
    board.site.asks("cap_charge_current", value=20_000)
    board.site.runs(1)
    assert board.turns(0.02) == []
    assert (ROOT + "limits/charge-current", b"15.000", True, 0) not in board.turns(1)


def test_without_leave_to_speak_there_are_no_limits() -> None:
    """Nothing that a charger obeys goes out, and what stood there is taken away; values go on."""
    board = Board()
    board.may_speak = False
    out = board.opens()
    assert all(payload == b"" for topic, payload, _, _ in out if "/limits/" in topic)
    assert ROOT + "measured/voltage" in topics(out)
    board.may_speak = True
    assert ROOT + "limits/hold-for" in topics(board.turns(1))
    board.may_speak = False
    assert [payload for _, payload, _, _ in board.turns(1)] == [b""] * 6


def test_no_current_and_no_permission_go_together() -> None:
    """Either says the other."""
    board = Board()
    board.opens()
    board.site.asks("stop_charge")
    board.steps(2)
    assert board.follower.values["battery-bank/limits/charge-current"] == "0.000"
    assert board.follower.values["battery-bank/limits/may-charge"] == "false"
    assert board.follower.values["battery-bank/because/charge-current"] == "owner stop"


def test_a_pack_that_falls_silent_is_lost_and_one_that_left_disconnected() -> None:
    """The state of its device tells what the bank makes of a pack."""
    board = Board()
    board.opens()
    board.site.falls_silent("oak")
    board.steps(40)
    assert board.follower.states["battery-bank-oak"] == "lost"
    assert board.follower.values["battery-bank-oak/pack/presence"] == "unheard"
    board.site.asks("declare_removed", pack="oak")
    board.steps(2)
    assert board.follower.states["battery-bank-oak"] == "disconnected"
    assert board.follower.states["battery-bank"] == "ready"


def test_findings_are_alerts_until_they_are_over() -> None:
    """Also those of an earlier life, which the broker had kept."""
    board = Board()
    out = board.opens((ROOT + "$alert/readings-frozen-fir", b"readings frozen: fir", True, 2))
    assert (ROOT + "$alert/readings-frozen-fir", b"", True, 2) in out
    board.site.view.findings = [
        Finding("share_implausible", None),
        Finding("readings_frozen", "oak"),
    ]
    out = board.turns(2)
    assert (ROOT + "$alert/share-implausible", b"share implausible", True, 2) in out
    assert (ROOT + "$alert/readings-frozen-oak", b"readings frozen: oak", True, 2) in out
    board.site.view.findings = []
    assert (ROOT + "$alert/share-implausible", b"", True, 2) in board.turns(2)
