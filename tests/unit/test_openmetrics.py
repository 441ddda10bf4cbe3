"""The bank as metrics: read back by an independent parser, number by number."""

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.samples import Sample

from adapters.openmetrics.families import BANK, PACK, families
from adapters.openmetrics.server import status_of
from adapters.openmetrics.text import Family, decimal, exposition
from adapters.readings import Readings
from aggregator import SystemView
from aggregator.view import Finding
from tests.bank import Site

SCALE = {"mv": 1_000, "ma": 1_000, "w": 1, "permille": 1_000, "decic": 10, "ms": 1_000}


def parsed(page: bytes) -> Iterator[Sample]:
    """Every sample on a page; raises ValueError if it is not OpenMetrics."""
    for family in text_string_to_metric_families(page.decode()):
        yield from family.samples


def samples(view: SystemView) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """The samples of a view by name and labels."""
    return {
        (one.name, tuple(sorted(one.labels.items()))): one.value
        for one in parsed(exposition(families(view, Readings())))
    }


def own_unit(field: str) -> int:
    """How many of the core's units make a base unit, by the field's name."""
    return SCALE[field.rsplit("_", 1)[1]]


@pytest.mark.source("OPENMETRICS", "text format; read by prometheus_client's parser")
def test_every_number_is_there_in_base_units() -> None:
    """What the parser reads is the view's number."""
    view = Site("oak", "fir").is_ready().view
    found = samples(view)
    for name, unit, field, _, _ in BANK:
        expected = getattr(view, field) / own_unit(field)
        assert found[(f"packyoke_{name}_{unit}", ())] == pytest.approx(expected, abs=1e-9)
    for row in view.packs:
        for name, unit, field, _, _ in PACK:
            value = getattr(row, field)
            key = (f"packyoke_{name}_{unit}", (("pack", row.pack),))
            assert found.get(key) == (None if value is None else value / own_unit(field))
    assert found[("packyoke_capacity_coulombs", ())] == 400 * 3_600
    assert found[("packyoke_remaining_coulombs", ())] == 200 * 3_600


@pytest.mark.source("OPENMETRICS", "StateSet: a state set has one sample for each state")
def test_stages_and_presences_are_state_sets() -> None:
    """Exactly one state is on."""
    site = Site("oak", "fir").is_ready()
    site.falls_silent("fir")
    found = samples(site.runs(60))
    for pack, presence in (("oak", "live"), ("fir", "unheard")):
        on = [
            dict(labels)["packyoke_pack_presence"]
            for (name, labels), value in found.items()
            if name == "packyoke_pack_presence" and dict(labels)["pack"] == pack and value == 1
        ]
        assert on == [presence]
    assert found[("packyoke_stage", (("packyoke_stage", "paused"),))] == 1
    assert found[("packyoke_stage", (("packyoke_stage", "float"),))] == 0


def test_what_is_unknown_has_no_sample() -> None:
    """It is not 0, and not NaN."""
    page = exposition(families(SystemView([]), Readings()))
    names = {one.name for one in parsed(page)}
    assert "packyoke_voltage_volts" not in names
    assert "packyoke_charge_ratio" not in names
    assert b"None" not in page
    assert page.endswith(b"\n# EOF\n")


def test_reasons_findings_and_alarms_are_labels() -> None:
    """What holds a limit, and what is to be looked at."""
    site = Site("oak", "fir").is_ready()
    site.asks("stop_charge")
    site.says("oak", protections=["short_circuit"])
    view = site.runs(2)
    view.findings = [Finding("readings_frozen", "oak"), Finding("share_implausible", None)]
    found = samples(view)
    binding = (("limit", "charge_current"), ("pack", ""), ("rule", "owner_stop"))
    assert found[("packyoke_binding_rule", binding)] == 1
    assert found[("packyoke_finding", (("finding", "readings_frozen"), ("pack", "oak")))] == 1
    assert found[("packyoke_finding", (("finding", "share_implausible"), ("pack", "")))] == 1
    assert found[("packyoke_alarm", (("alarm", "short_circuit"), ("kind", "protection")))] == 1
    assert found[("packyoke_charge_allowed", ())] == 0
    assert found[("packyoke_rejected_total", ())] == 0


@pytest.mark.source("OPENMETRICS", "text format, escaping; read by prometheus_client's parser")
@given(st.dictionaries(st.sampled_from(["a", "b", "link"]), st.text(max_size=30), max_size=3))
def test_any_label_reads_back_as_it_was(labels: dict[str, str]) -> None:
    """Quotes, backslashes and line ends are escaped."""
    page = exposition([(Family("packyoke_x", "gauge", 'a\\b "c"\nd'), [(labels, "1")])])
    [sample] = parsed(page)
    assert sample.labels == labels


@given(st.integers(-(10**9), 10**9), st.integers(0, 3))
def test_decimals_are_exact(value: int, digits: int) -> None:
    """No float comes between."""
    assert round(float(decimal(value, digits)) * 10**digits) == value


@pytest.mark.source("RFC9112", "section 3: a request line is method, target, version")
@pytest.mark.parametrize(
    ("line", "status"),
    [
        (b"GET /metrics HTTP/1.1", 200),
        (b"GET /metrics?x=1 HTTP/1.0", 200),
        (b"GET / HTTP/1.1", 404),
        (b"GET /metrics/ HTTP/1.1", 404),
        (b"POST /metrics HTTP/1.1", 405),
        (b"HEAD /metrics HTTP/1.1", 405),
        (b"GET /metrics", 400),
        (b"GET  /metrics HTTP/1.1", 400),
        (b"GET /metrics HTTP/2", 400),
        (b"", 400),
    ],
)
def test_only_one_page_is_served(line: bytes, status: int) -> None:
    """Everything else is told what is wrong."""
    assert status_of(line + b"\r\nHost: x\r\n\r\n") == status


@given(st.binary(max_size=200))
def test_any_request_has_a_status(head: bytes) -> None:
    """Nothing raises."""
    assert status_of(head) in (200, 400, 404, 405)
