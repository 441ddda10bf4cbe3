"""How the conditions of findings age, turn by turn, and when they are shown."""

import pytest

from aggregator import BankSettings, PackSettings
from aggregator.bank import Bank
from aggregator.findings import ABSENT, BANK_FINDINGS, DAY_MS, Findings, _age
from aggregator.pack import LATE, LIVE, REMOVED, UNHEARD
from aggregator.presence import FROZEN


def bank() -> Bank:
    """Two packs, fir and oak, of which nothing is known."""
    return Bank(BankSettings([PackSettings("fir"), PackSettings("oak")]))


@pytest.mark.parametrize(
    ("before_ms", "holds_now", "after_ms", "changed"),
    [
        (ABSENT, False, ABSENT, False),
        (ABSENT, True, 0, False),
        (0, True, 10, False),
        (39, True, 49, False),
        (40, True, 50, True),
        (49, True, 59, True),
        (50, True, 60, False),
        (49, False, ABSENT, False),
        (50, False, ABSENT, True),
        (DAY_MS - 9, True, DAY_MS, False),
    ],
)
def test_a_condition_is_shown_from_its_hold_time_on(
    before_ms: int, holds_now: bool, after_ms: int, changed: bool
) -> None:
    """50 ms, in looks that are 10 ms apart: what changes is told once each way."""
    ages = [7, before_ms, 7]
    assert _age(ages, 1, holds_now, 50, 10) is changed
    assert ages == [7, after_ms, 7]


def test_a_condition_without_a_hold_time_is_shown_at_once() -> None:
    """And hidden at once."""
    ages = [ABSENT]
    assert _age(ages, 0, True, 0, 10) is True
    assert _age(ages, 0, True, 0, 10) is False
    assert _age(ages, 0, False, 0, 10) is True


def rounds(one: Bank, findings: Findings, count: int, step_ms: int = 100) -> None:
    """Let every condition and every pack have its turn so many times."""
    for _ in range(count * (len(BANK_FINDINGS) + len(one.packs))):
        one.clock.now_ms += step_ms
        findings.step(one)


def test_every_condition_ages_by_the_time_of_a_round() -> None:
    """Nine turns of 100 ms: 900 ms a round, counted once it is known how long a round takes."""
    one, findings = bank(), Findings(2)
    assert (findings.turn, findings.round_ms, findings.started_ms) == (0, 0, 0)
    rounds(one, findings, 1)
    assert (findings.turn, findings.round_ms, findings.started_ms) == (0, 100, 100)
    place = [row[0] for row in BANK_FINDINGS].index("shares_not_learned")
    assert [findings.bank_ms[place], findings.bank_ms[place - 1]] == [0, ABSENT]
    rounds(one, findings, 2)
    assert findings.round_ms == 900
    assert findings.bank_ms[place] == 1_800
    one.clock.now_ms = 0
    rounds(one, findings, 1)
    assert findings.bank_ms[place] == 1_800  # a clock that fell back ages nothing


@pytest.mark.parametrize(
    ("presence", "silence", "looked"),
    [
        (LIVE, None, True),
        (LATE, "silent", True),
        (UNHEARD, FROZEN, True),
        (UNHEARD, "silent", False),
        (REMOVED, "declared removed", False),
    ],
)
def test_only_what_a_pack_says_today_is_looked_at(
    presence: str, silence: str | None, looked: bool
) -> None:
    """Live, late, or frozen; each pack in its own place, and the list in the order of the tables."""
    one, findings = bank(), Findings(2)
    for i, pack in enumerate(one.packs):
        pack.presence, pack.silence = (presence, silence) if i else (LIVE, None)
        one.charge.refusing[i] = one.discharge.refusing[i] = 1
        one.charge.own_ma[i], one.charge.flow_ma[i] = 0, 5_000
    one.shares.implausible = True
    rounds(one, findings, 30)
    names = ["pack_over_own_limit", "readings_frozen", "refusal_path_unknown"]
    seen = [names[0], *names[1 : 2 if silence == FROZEN else 1], names[2]]
    expected = [("share_implausible", None), (names[0], "fir"), (names[2], "fir")]
    expected += [(name, "oak") for name in seen if looked]
    shown = [(found.name, found.pack) for found in findings.shown]
    assert shown[-len(expected) :] == expected
    assert [row for row in shown if row[1]] == expected[1:]
    one.packs[1].presence, one.packs[1].silence = UNHEARD, "silent"
    rounds(one, findings, 1)
    assert [found.pack for found in findings.shown if found.pack] == ["fir", "fir"]


def test_turns_are_taken_in_order() -> None:
    """Each condition of the bank, then each pack, then from the first again."""
    one, findings = bank(), Findings(2)
    turns = []
    for _ in range(10):
        findings.step(one)
        turns.append(findings.turn)
    assert turns == [1, 2, 3, 4, 5, 6, 7, 8, 0, 1]


def test_what_need_not_last_is_shown_in_the_first_round() -> None:
    """And the list stays as it is, the very same one, until something changes."""
    one, findings = bank(), Findings(2)
    assert findings.shown == []
    one.shares.implausible = True
    one.packs[1].silence = FROZEN
    one.packs[0].presence = LIVE
    rounds(one, findings, 1)
    shown = findings.shown
    assert [(found.name, found.pack) for found in shown] == [
        ("share_implausible", None),
        ("readings_frozen", "oak"),
    ]
    rounds(one, findings, 3)
    assert findings.shown is shown
