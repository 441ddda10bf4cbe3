"""The bank as SunSpec models: what stands in each point, and what a device makes of it."""

import json
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.readings import Readings
from adapters.sunspec import Controls, NotSunSpec, Ratings, Reader, chain, image, ratings_of
from adapters.sunspec.battery import CONNECTED, FAULT, INITIALIZING, SOC_PROTECTION, STANDBY
from adapters.sunspec.models import BATTERY, END, MARKER, MODELS
from adapters.sunspec.points import TYPES, Value
from adapters.sunspec.reading import milli
from adapters.sunspec.talker import SunSpecSettings
from aggregator import BankSettings, PackReport, PackSettings, SystemView
from tests.readings import told
from tests.registers import view_of, views

RATINGS = Ratings(
    capacity_mah=874_000, energy_wh=44_748, charge_ma=300_000, discharge_ma=400_000, voltage_mv=56_800
)  # fmt: skip
NAMED = {"u16": "uint16", "i16": "int16", "e16": "enum16", "u32": "uint32", "b32": "bitfield32",
         "sf": "sunssf", "pad": "pad", "s8": "string", "s16": "string"}  # fmt: skip


# What a pack reads that tells everything.
READING = PackReport(
    "ash", 1, current_ma=-42_500, soc_permille=873, cells_mv=[3_311, 3_329], temperatures_decic=[231]
)  # fmt: skip


def words(view: SystemView, silent: bool = False, **controls: object) -> list[int]:
    return image(view, Readings(), RATINGS, Controls(**controls), silent)  # type: ignore[arg-type]


def battery(view: SystemView, silent: bool = False, **controls: object) -> dict[str, Value]:
    """Model 802, raw."""
    return chain(words(view, silent, **controls))[802][0]


@pytest.mark.source("SUNSPEC", "models 1, 802, 803 and 713, as pysunspec2 carries them")
@pytest.mark.parametrize("number", MODELS)
def test_points_are_the_published_ones(number: int) -> None:
    """Names, order, types, sizes and scale factors of every model are the standard's."""
    folder = files("sunspec2") / "models" / "json"
    published = json.loads((folder / f"model_{number}.json").read_text())["group"]
    groups = [published, *published.get("groups", [])]
    ours = [MODELS[number].points, MODELS[number].repeating]
    assert len([one for one in ours if one]) == len(groups)
    for group, points in zip(groups, ours, strict=False):
        expected = [
            (one["name"], one["type"], one["size"], one.get("sf")) for one in group["points"]
        ]
        found = [(one.name, NAMED[one.type], one.size, one.scale) for one in points]
        assert found == expected


@pytest.mark.source("SUNSPEC", "models 802, 803, 713: mandatory points")
def test_mandatory_points_are_there() -> None:
    """Every mandatory point of a healthy bank has a value, but for what a pack does not tell."""
    made = image(view_of(), told(READING), RATINGS, Controls(set_inverter_state=3), False)
    missing, untold = set(), set()
    for number, (fixed, each) in chain(made).items():
        folder = files("sunspec2") / "models" / "json"
        published = json.loads((folder / f"model_{number}.json").read_text())["group"]
        groups = [published, *published.get("groups", [])]
        for group, said in zip(groups, [fixed, *each[:1]], strict=False):
            needed = [
                point["name"]
                for point in group["points"]
                if point.get("mandatory") == "M" and point["type"] != "pad"
            ]
            missing |= {name for name in needed if said[name] is None}
            untold |= {name for name in needed if group in groups[1:] and each[1][name] is None}
    assert missing == set()
    assert untold == {"StrSoC", "StrA", "StrCellVMax", "StrCellVMin", "StrCellVAvg",
                       "StrModTmpMax", "StrModTmpMin", "StrModTmpAvg"}  # fmt: skip


def test_what_the_battery_says() -> None:
    """The four limits on their safe side, the rest to the nearest step; discharge is positive."""
    said = battery(view_of(), beat=7)
    assert said["V_SF"] == -2
    assert (said["V"], said["VMax"], said["VMin"]) == (5_312, 5_520, 4_481)
    assert said["A_SF"] == said["AMax_SF"] == -1
    assert (said["A"], said["AChaMax"], said["ADisChaMax"]) == (425, 1_500, 2_000)
    assert (said["W"], said["W_SF"]) == (2_258 // 10 + 1, 1)
    assert (said["SoC"], said["DoD"], said["SoH"]) == (873, 127, 990)
    assert (said["CellVMax"], said["CellVMaxStr"]) == (3_329, 4)
    assert (said["State"], said["ChaSt"], said["Evt1"]) == (CONNECTED, 3, 0)
    assert (said["Hb"], said["Typ"], said["ReqInvState"]) == (7, 4, 0)


def test_scale_factors_do_not_move() -> None:
    """They follow from the ratings alone, whatever the view says."""
    small, large = battery(view_of()), battery(view_of(charge_current_limit_ma=900_000_000))
    scales = [point.name for point in BATTERY.points if point.type == "sf"]
    assert {name: small[name] for name in scales} == {name: large[name] for name in scales}
    assert large["AChaMax"] == 0xFFFE  # cut off: less than it is, and not "not implemented"


@pytest.mark.parametrize(("amperes", "scale"), [(100, -2), (163, -2), (164, -1), (1_638, -1), (1_639, 0)])  # fmt: skip
def test_scale_factor_leaves_room(amperes: int, scale: int) -> None:
    """The finest factor at which twice the rated current fits into a signed register."""
    ratings = Ratings(
        capacity_mah=1, energy_wh=1, charge_ma=amperes * 1_000, discharge_ma=0, voltage_mv=56_000
    )
    assert ratings.currents == scale


STATES = [
    ({}, {}, False, CONNECTED),
    ({"charge_allowed": False, "charge_current_limit_ma": 0}, {}, False, CONNECTED),
    ({"charge_allowed": False, "charge_current_rule": "owner_soc"}, {}, False, SOC_PROTECTION),
    ({"charge_allowed": False, "discharge_allowed": False}, {}, False, STANDBY),
    ({"protection_bits": 1 << 14}, {}, False, FAULT),  # short_circuit
    ({}, {"presence": "late"}, False, CONNECTED),
    ({}, {"presence": "unheard", "why_ignored": "silent"}, True, FAULT),
    ({}, {"presence": "unheard", "why_ignored": "never heard"}, True, INITIALIZING),
    ({}, {}, True, FAULT),
]


@pytest.mark.parametrize(("fields", "rows", "silent", "state"), STATES)
def test_states(
    fields: dict[str, object], rows: dict[str, object], silent: bool, state: int
) -> None:
    """Which State a bank is in."""
    view = view_of(**fields)
    for row in view.packs:
        for name, value in rows.items():
            setattr(row, name, value)
    assert battery(view, silent)["State"] == state


@pytest.mark.source("SUNSPEC", "802 Evt1")
def test_alarms_and_warnings() -> None:
    """Each of our protections sets an alarm, each warning a warning, at the standard's bits."""
    folder = files("sunspec2") / "models" / "json"
    points = json.loads((folder / "model_802.json").read_text())["group"]["points"]
    symbols = next(point["symbols"] for point in points if point["name"] == "Evt1")
    bit = {one["name"]: 1 << one["value"] for one in symbols}
    everything = (1 << 15) - 1
    alarms = ("OVER_TEMP", "UNDER_TEMP", "OVER_CHARGE_CURRENT", "OVER_DISCHARGE_CURRENT",
              "OVER_VOLT", "UNDER_VOLT", "OTHER")  # fmt: skip
    imbalance = bit["VOLTAGE_IMBALANCE_WARNING"]
    said = battery(view_of(protection_bits=everything))["Evt1"]
    assert said == imbalance | sum(bit[f"{name}_ALARM"] for name in alarms)
    said = battery(view_of(warning_bits=everything))["Evt1"]
    assert said == imbalance | sum(bit[f"{name}_WARNING"] for name in alarms)
    assert battery(view_of(), silent=True)["Evt1"] == bit["COMMUNICATION_ERROR"]


def test_a_silent_pack_is_a_communication_error() -> None:
    """And its string says so; it counts as connected, as silence opens nothing."""
    view = view_of()
    view.packs[2].presence, view.packs[2].why_ignored = "unheard", "silent"
    view.packs[3].presence, view.packs[3].why_ignored = "removed", "declared removed"
    said = chain(words(view))
    assert said[802][0]["Evt1"] == 1
    fixed, each = said[803]
    assert (fixed["NStr"], fixed["NStrCon"]) == (4, 3)
    assert [one["StrSt"] for one in each] == [3, 3, 2, 0]
    assert [one["StrDisRsn"] for one in each] == [0, 0, 1, 3]
    assert [one["StrEvt1"] for one in each] == [0, 0, 1, 0]


def test_stored_energy() -> None:
    """Available is rated energy times charge times health, rounded down."""
    said = chain(words(view_of()))[713][0]
    assert said["WHAvail"] == 44_748 * 873 * 990 // 1_000_000
    assert (said["WHRtg"], said["SoC"], said["SoH"], said["Sta"]) == (44_748, 873, 990, 0)
    assert chain(words(view_of(soh_permille=None)))[713][0]["WHAvail"] is None


def test_ratings_come_from_the_bank() -> None:
    """Capacities and ceilings are added up; what is missing has to be given."""
    packs = [
        PackSettings("oak", capacity_mah=314_000, charge_current_ceiling_ma=150_000),
        PackSettings("fir", capacity_mah=100_000, charge_current_ceiling_ma=50_000),
    ]
    ratings = ratings_of(
        SunSpecSettings(), BankSettings(packs, discharge_current_ceiling_ma=90_000)
    )
    assert (ratings.capacity_mah, ratings.energy_wh) == (414_000, 414 * 512 // 10)
    assert (ratings.charge_ma, ratings.discharge_ma) == (200_000, 90_000)
    with pytest.raises(ValueError, match="rated_capacity_mah"):
        ratings_of(SunSpecSettings(), BankSettings([PackSettings("oak")]))


@given(view=views(), silent=st.booleans())
def test_no_image_says_more_than_the_view(view: SystemView, silent: bool) -> None:
    """Any view: a device that obeys keeps all four limits; 0 and "not allowed" go together; both
    0 asks the inverter to stop; every word fits into a register."""
    made = words(view, silent)
    assert all(0 <= word <= 0xFFFF for word in made)
    said = chain(made)[802][0]
    orders = Reader().orders(made, 0)
    charge, discharge = milli(said, "AChaMax"), milli(said, "ADisChaMax")
    assert charge is not None
    assert discharge is not None
    assert orders.charge_current_ma <= charge <= view.charge_current_limit_ma * (not silent)
    assert (
        orders.discharge_current_ma <= discharge <= view.discharge_current_limit_ma * (not silent)
    )
    assert milli(said, "VMax") <= view.charge_voltage_limit_mv  # type: ignore[operator]
    assert milli(said, "VMin") >= view.discharge_voltage_limit_mv  # type: ignore[operator]
    assert (said["ReqInvState"] == 2) == (charge == discharge == 0)
    assert said["SoC"] == view.soc_permille


@given(st.lists(st.integers(0, 0xFFFF), max_size=400), st.booleans())
def test_any_words_can_be_read(some: list[int], marked: bool) -> None:
    """A device that reads nonsense does nothing."""
    orders = Reader().orders([*MARKER, *some] if marked else some, 0)
    assert orders.why or orders.charge_voltage_mv is not None or BATTERY.number in some


def test_a_device_stops_when_the_heartbeat_does() -> None:
    """Five seconds without a beat: no current; with the next beat it goes on."""
    reader = Reader()
    view = view_of()
    assert reader.orders(words(view, beat=1), 0).charge_current_ma == 150_000
    assert reader.orders(words(view, beat=1), 5_000).charge_current_ma == 150_000
    late = reader.orders(words(view, beat=1), 5_100)
    assert (late.charge_current_ma, late.why) == (0, "the heartbeat stands still")
    assert reader.orders(words(view, beat=2), 6_000).charge_current_ma == 150_000


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda made: made[1:], "no marker at the start"),
        (lambda made: made[: -len(END)], "no end marker"),
        (lambda made: [*MARKER, 1, 500, *made[4:]], "model 1 at 2 is longer"),
        (lambda made: [*MARKER, *END], "no model 802"),
    ],
)
def test_a_broken_chain_is_refused(spoil: object, why: str) -> None:
    """Words that are no chain of models, or none with a battery: nothing is done, and why."""
    orders = Reader().orders(spoil(words(view_of())), 0)  # type: ignore[operator]
    assert why in orders.why
    assert orders.charge_current_ma == 0
    if "802" not in why:
        with pytest.raises(NotSunSpec):
            chain(spoil(words(view_of())))  # type: ignore[operator]


@given(st.sampled_from(sorted(set(TYPES) - {"s8", "s16"})), st.integers(-0x7FFF, 0x7FFF))
def test_points_come_back(kind: str, number: int) -> None:
    """Any raw value through its registers and back; None stays None."""
    point = next(one for model in MODELS.values() for one in (*model.points, *model.repeating)
                 if one.type == kind)  # fmt: skip
    value = number if TYPES[kind][1] else abs(number)
    assert point.value(point.words(value)) == value
    assert point.value(point.words(None)) is None
