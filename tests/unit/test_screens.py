"""What a person sees, pinned: one screen of the bank, its packs, and the reasons for a limit."""

import io

import pytest
from rich.console import Console, RenderableType

from adapters.capture import Seen
from adapters.cli.map_screen import map_screen, summary
from adapters.cli.screens import WIDTH, bank_screen, flow, packs_screen, percent, why_screen
from aggregator import Cap, SystemView
from aggregator.plain import view_to_plain

READINGS = {
    "fir": {"voltage_mv": 53_130, "current_ma": 41_250, "soc_permille": 999},
    "oak": {"voltage_mv": 53_110, "current_ma": -250, "soc_permille": 520},
}


def text_of(what: RenderableType) -> str:
    """Return a screen as plain text, without blanks at the ends of lines."""
    out = io.StringIO()
    Console(file=out, width=WIDTH, highlight=False).print(what)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


def a_view() -> dict[str, object]:
    """Return an invented view of two packs, one of them silent."""
    view = view_to_plain(SystemView(["fir", "oak"]))
    row = {"presence": "live", "charge_contribution_ma": 48_500, "share_permille": 160,
           "discharge_contribution_ma": 58_200, "why_ignored": None}  # fmt: skip
    silent = row | {"pack": "oak", "presence": "unheard", "why_ignored": "silent"}
    silent |= {"charge_contribution_ma": 0, "share_permille": None, "discharge_contribution_ma": 0}
    return view | {
        "voltage_mv": 53_130,
        "current_ma": 41_000,
        "power_w": 2_178,
        "soc_permille": 519,
        "soc_min_permille": 519,
        "soc_max_permille": 999,
        "capacity_mah": 414_000,
        "remaining_mah": 215_200,
        "stage": "absorption",
        "stage_elapsed_ms": 754_000,
        "stage_ends": "absorption_served",
        "stage_ends_ms": 1_046_000,
        "cell_max_mv": 3_461,
        "cell_max_pack": "fir",
        "cell_max_no": 4,
        "temperature_min_decic": -5,
        "temperature_min_pack": "oak",
        "warnings": ["cell_imbalance"],
        "charge_current_rule": "unheard",
        "charge_current_pack": "oak",
        "charge_voltage_limit_mv": 53_120,
        "charge_voltage_rule": "limp",
        "charge_voltage_pack": "oak",
        "discharge_allowed": True,
        "discharge_current_limit_ma": 58_200,
        "discharge_current_rule": "contributions",
        "discharge_voltage_limit_mv": 44_800,
        "discharge_voltage_rule": "ceiling",
        "packs": [row | {"pack": "fir"}, silent],
        "findings": [{"name": "soc_disagrees_with_full", "pack": "oak"}],
    }


BANK = """\
The bank at 12:31:05
53.13 V   41.0 A in   2.18 kW
51 % full   lowest pack 51 %, highest 99 %   215 of 414 Ah   (not every pack is counted)
absorption for 12 min 34 s   then: its time is served, in 17 min 26 s

 the bank may    up to  because of
 ──────────────────────────────────────────────────────────
 charge        not now  a silent pack, still connected: oak
   not above   53.12 V  a silent pack, still connected: oak
 discharge      58.2 A  what the packs may carry together
   not below   44.80 V  the installer's bound


                                                                   may     may  share of
 pack  is                         voltage      current    full    take    give     extra
 ───────────────────────────────────────────────────────────────────────────────────────
 fir   here                       53.13 V    41.2 A in    99 %  48.5 A  58.2 A      16 %
 oak   silent, still connected  (53.11 V)  (0.2 A out)  (52 %)   0.0 A   0.0 A         -

highest cell 3.461 V in fir no. 4
coldest -0.5 °C in oak
the packs' boards warn of cell imbalance
look at this: oak: is full, but its counter says it is not"""


def test_the_bank_fits_on_one_screen_and_reads_so() -> None:
    assert text_of(bank_screen(a_view(), READINGS, 45_065_000)) == BANK


def test_a_view_of_nothing_can_be_shown() -> None:
    """Before any report everything is unknown; that must read well, too."""
    view = view_to_plain(SystemView(["oak"]))
    for way in ("charge", "discharge"):
        view |= {f"{way}_current_rule": "unheard", f"{way}_current_pack": "oak"}
        view |= {f"{way}_voltage_rule": "limp", f"{way}_voltage_pack": "oak"}
    text = text_of(bank_screen(view, {}, 0))
    assert "None" not in text
    assert "unknown" in text


@pytest.mark.parametrize("known", ["cell_min_mv", "cell_max_mv"])
def test_one_known_cell_is_enough(known: str) -> None:
    view = a_view() | {"cell_min_mv": None, "cell_max_mv": None} | {known: 3_300}
    text = text_of(bank_screen(view, READINGS, 0))
    assert text.count("cell 3.300 V") == 1


def test_sixteen_packs_stay_within_the_width_and_a_screen() -> None:
    view = a_view()
    (row, silent) = view["packs"]  # type: ignore[misc]
    view["packs"] = [row, silent] * 8
    lines = text_of(bank_screen(view, READINGS, 0)).splitlines()
    assert len(lines) <= 40
    assert max(len(line) for line in lines) <= WIDTH


def test_full_is_only_what_is_full() -> None:
    assert percent(999) == "99 %"
    assert percent(1_000) == "100 %"
    assert percent(None) == "unknown"


@pytest.mark.parametrize(
    ("ma", "text"), [(1_500, "1.5 A in"), (-1_500, "1.5 A out"), (0, "0.0 A"), (None, "unknown")]
)
def test_a_current_is_told_with_its_direction(ma: int | None, text: str) -> None:
    assert flow(ma) == text


def test_reasons_stand_tightest_first_as_the_core_gave_them() -> None:
    caps = [Cap(0, "unheard", "oak"), Cap(48_500, "contributions")]
    lines = text_of(why_screen("charge_current", caps)).splitlines()
    rows = [line for line in lines if " A " in line]
    assert [row.split(" A ")[0].strip() for row in rows] == ["0.0", "48.5"]
    for told in ("a silent pack, still connected", "oak", "unheard"):
        assert told in rows[0]


def test_a_voltage_is_shown_in_volts() -> None:
    assert "55.20 V" in text_of(why_screen("charge_voltage", [Cap(55_200, "stage_target")]))


def test_a_pack_without_a_reading_has_its_line() -> None:
    text = text_of(packs_screen(a_view(), {}))
    assert "silent, still connected" in text
    assert "(unknown)" not in text


def test_why_a_pack_is_left_out_stands_beside_it() -> None:
    view = a_view()
    view["packs"][0]["why_ignored"] = "charge: withheld"  # type: ignore[index]
    text = text_of(packs_screen(view, READINGS))
    assert "here: charge: left out" in text
    assert "owner" in text


def test_what_is_unknown_is_named() -> None:
    """Before the first reading the screen says what is unknown, not only that something is."""
    unknown = {"voltage_mv": None, "current_ma": None, "power_w": None, "soc_permille": None}
    shown = text_of(bank_screen(a_view() | unknown, {}, 0))
    assert "voltage unknown   current unknown\ncharge unknown" in shown


def test_a_narrow_table_of_a_map_cuts_no_number_off() -> None:
    """It leaves columns out instead."""
    row = summary("charge_voltage_limit_mv", "LIMITS.MostVolts",
                  [Seen(0, "LIMITS.MostVolts", "charge_voltage_limit_mv", 144, 14_400)])  # fmt: skip
    out = io.StringIO()
    Console(file=out, width=80).print(map_screen([row], narrow=True))
    assert out.getvalue().count("14.400 V") == 3
