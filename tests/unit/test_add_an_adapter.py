"""The page "add an adapter": its talker keeps the rules that the page tells of."""

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator import PackReport
from tests.gateway import VIEW
from tests.sources import ROOT

PAGE = (ROOT / "docs" / "how-to" / "add-an-adapter.md").read_text(encoding="utf-8")
CODE = re.findall(r"^```python\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


@pytest.fixture
def talker() -> Any:
    """The page's talker."""
    return made()


def made() -> Any:
    names: dict[str, Any] = {"__name__": "page"}
    exec(compile(CODE[0], "page", "exec"), names)
    return names["PlainWords"]("oak")


def test_the_page_s_talker_hears(talker: Any) -> None:
    """A line is a report; another pack's is not ours; nonsense is counted."""
    (report,) = talker.received(b"oak 53.12 -42.5\n", 0)
    assert isinstance(report, PackReport)
    assert (report.voltage_mv, report.current_ma, report.sample) == (53_120, -42_500, 1)
    assert talker.received(b"fir 53.12 -42.5\n", 0) == ()
    assert talker.received(b"oak much\n", 0) == ()
    assert talker.counts.refused == 1


def test_the_page_s_talker_speaks_only_when_it_may(talker: Any) -> None:
    """Whole amperes, rounded down; once until it changes; nothing without permission."""
    view = VIEW.copy()
    view.charge_allowed, view.charge_current_limit_ma = True, 75_999
    assert talker.due(0, view, False) == ()
    assert talker.due(0, view, True) == (b"75\n",)
    assert talker.due(0, view, True) == ()
    view.charge_allowed = False
    assert talker.due(0, view, True) == (b"0\n",)


@given(
    st.binary()
    | st.text().map(str.encode)
    | st.sampled_from([b"oak inf 1", b"oak nan 1", b"oak 1e999 1"])
)
def test_any_bytes(data: bytes) -> None:
    """Nothing raises."""
    made().received(data, 0)
