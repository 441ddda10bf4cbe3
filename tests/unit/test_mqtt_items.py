"""Random bytes through every decoder of topics."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.links import Talker
from aggregator import PackReport, Request
from aggregator.requests import check_request
from tests.bank import Site
from tests.mqtt_items import Message, items, make_homie, make_reader, make_topics

VIEW = Site("oak").is_ready().view


@pytest.mark.parametrize("make", [make_topics, make_homie, make_reader])
@settings(deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes_make_nothing_that_cannot_be(
    make: "type[Talker[Message]]", data: bytes
) -> None:
    """No decoder raises; what comes out is a report or a request that the bank could take."""
    talker = make()
    talker.opened(0)
    for number, item in enumerate(items(data)):
        for record in talker.received(item, number * 100):
            assert isinstance(record, PackReport | Request)
            if isinstance(record, Request):
                assert check_request(record, ["oak"]) is None
        for topic, payload, retained, qos in talker.due(number * 100, VIEW, True):
            assert isinstance(topic, str)
            assert isinstance(payload, bytes)
            assert isinstance(retained, bool)
            assert qos in (0, 1, 2)
