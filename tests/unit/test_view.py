"""The view is reused from step to step; a copy stays as it was."""

from aggregator import Cap, Finding, PackRow, SystemView
from aggregator.fields import ROW_FIELDS, VIEW_FIELDS
from tests.bank import Site


def test_the_same_view_is_handed_out_again() -> None:
    """An embedded caller holds one view for the life of the bank."""
    site = Site("oak")
    first = site.runs(1)
    assert site.runs(1) is first


def test_a_copy_keeps_everything() -> None:
    """Every field of a copy, its pack rows and its findings stay when the bank moves on."""
    site = Site("oak", "fir").is_ready()
    site.says("fir", charge_allowed=False, charge_path_closed=None, cell_max_no=7)
    site.says(warnings=["other"], protections=["short_circuit"])
    site.runs(15)
    kept = site.view.copy()
    fields = {name: getattr(kept, name) for name in VIEW_FIELDS}
    assert fields == {name: getattr(site.view, name) for name in VIEW_FIELDS}
    rows = [[getattr(row, name) for name in ROW_FIELDS] for row in kept.packs]
    assert rows == [[getattr(row, name) for name in ROW_FIELDS] for row in site.view.packs]
    findings = [(found.name, found.pack) for found in kept.findings]
    assert findings == [("refusal_path_unknown", "fir")]
    site.says(current_ma=-70_000, voltage_mv=51_000, soc_permille=100, cell_max_mv=3_311)
    site.says(charge_allowed=True, warnings=[], protections=[], temperature_max_decic=300)
    site.falls_silent("oak")
    site.runs(60)
    assert {name: getattr(kept, name) for name in VIEW_FIELDS} == fields
    assert [[getattr(row, name) for name in ROW_FIELDS] for row in kept.packs] == rows
    assert [(found.name, found.pack) for found in kept.findings] == findings


def test_every_field_of_the_view_exists_and_none_is_missing_from_the_table() -> None:
    """The table VIEW_FIELDS is the reference page: it must name what the view has."""
    view = SystemView(["oak"])
    for name in VIEW_FIELDS:
        getattr(view, name)
    stored = {name for name in vars(view) if not name.endswith(("_row", "_bits"))}
    computed = {name for name in vars(SystemView) if not name.startswith("_")} - {"copy", "packs"}
    assert (stored | computed) - {"names", "rows", "source", "findings"} == set(VIEW_FIELDS)


def test_a_fresh_view_allows_nothing() -> None:
    """Before the first step: no limits, nothing known, and nothing may be said."""
    view = SystemView(["oak"])
    assert view.charge_allowed is False
    assert view.discharge_allowed is False
    assert (view.charge_current_limit_ma, view.discharge_current_limit_ma) == (0, 0)
    assert view.may_speak is False
    assert view.packs == []


BEFORE_THE_FIRST_STEP: dict[str, object] = {
    "partial": True,
    "charge_allowed": False,
    "discharge_allowed": False,
    "stage": "bulk",
    "role": "alone",
    "may_speak": False,
    "findings": [],
    **dict.fromkeys(("warnings", "protections"), ()),
    **dict.fromkeys(("cell_min_row", "cell_max_row", "warning_bits", "protection_bits"), 0),
    **dict.fromkeys(("temperature_min_row", "temperature_max_row"), 0),
    **dict.fromkeys(("charge_voltage_limit_mv", "discharge_voltage_limit_mv"), 0),
    **dict.fromkeys(("charge_current_limit_ma", "discharge_current_limit_ma"), 0),
    **dict.fromkeys(("charge_voltage_rule", "discharge_voltage_rule"), ""),
    **dict.fromkeys(("charge_current_rule", "discharge_current_rule"), ""),
    **dict.fromkeys(("capacity_mah", "stage_elapsed_ms", "rejected"), 0),
}


def test_a_fresh_view_knows_nothing() -> None:
    """Every field before the first step: what is not in the table above is unknown."""
    view = SystemView(["oak"])
    behind = [name for name in vars(view) if name not in ("names", "rows", "source")]
    for name in {*VIEW_FIELDS, *behind}:
        value = getattr(view, name)
        assert value == BEFORE_THE_FIRST_STEP.get(name), name
        assert type(value) is type(BEFORE_THE_FIRST_STEP.get(name)), name
    assert view.rows is None


def test_a_fresh_row_is_that_of_a_pack_nobody_has_heard() -> None:
    """It adds nothing."""
    row = PackRow("oak")
    assert {name: getattr(row, name) for name in ROW_FIELDS} == {
        "pack": "oak",
        "presence": "unheard",
        "charge_contribution_ma": 0,
        "discharge_contribution_ma": 0,
        "share_permille": None,
        "why_ignored": None,
    }


def test_caps_compare_by_what_they_say() -> None:
    """Equal value, rule and pack make equal caps; their text can be pasted into a test."""
    cap = Cap(75_000, "owner_cap")
    assert cap == Cap(75_000, "owner_cap", None)
    assert len({cap, Cap(75_000, "owner_cap", None)}) == 1
    assert cap != Cap(75_000, "owner_cap", "oak")
    assert cap != Cap(75_001, "owner_cap")
    assert cap != Cap(75_000, "ramp")
    assert cap != 75_000
    assert len({hash(Cap(value, "ramp")) for value in range(9)}) > 1
    assert repr(cap) == 'Cap(75000, "owner_cap", None)'
    assert repr(Cap(0, "unheard", "oak")) == 'Cap(0, "unheard", "oak")'


def test_a_finding_tells_its_name_and_pack() -> None:
    """Short, for logs and failing tests."""
    assert repr(Finding("readings_frozen", "oak")) == "Finding(readings_frozen, oak)"
