"""A simulated bank and its day, described: what a scenario file can say.

All quantities carry their unit in their name. Defaults are typical values (common practice, no
source) unless a comment says otherwise.
"""

from random import Random

from attrs import define, field

HOUR_S = 3_600.0
DAY_S = 86_400.0


@define(kw_only=True)
class PackModel:
    """One pack and its board as they really are."""

    pack: str
    capacity_ah: float = 280.0
    charge: float = 0.5  # mean state of charge at the start, 0..1
    cell_ohm: float = 0.00045  # ohmic, each of sixteen
    cell_rc_ohm: float = 0.0002
    rc_s: float = 60.0
    external_ohm: float = 0.002  # switches, shunt, fuse, lead, lugs, joints
    charge_spread: float = 0.0025  # standard deviation of the cells' charge
    capacity_spread: float = 0.015  # standard deviation of the cells' capacity, of the whole
    ohm_spread: float = 0.05  # standard deviation of the cells' resistance, of the whole
    high_cell_charge: float = 0.0  # how far one cell is ahead of the rest
    hysteresis_v: float = 0.0  # of a cell, from its mean curve to the charge curve
    hysteresis_charge: float = 0.07  # the charge it takes to cross over, of the whole
    charge_limit_a: float = 140.0  # the board's own
    discharge_limit_a: float = 140.0
    voltage_limit_v: float = 57.6
    low_voltage_limit_v: float = 44.8
    tapers: bool = True  # the board lowers its charge limit as its highest cell nears the top
    temperature_c: float = 22.0  # of the room, and of the pack at the start
    warming_k_per_w: float = 0.05  # above the room, in the long run
    warming_s: float = 10_800.0
    stiffens_in_cold: bool = False  # resistance doubles from 25 to 0 degrees
    bleed_a: float = 0.1  # the balancer
    trip_s: float = 10.0  # how long the board bears 110 % of its limit
    trips_on_rating: bool = False  # 110 % of its rating, rather than of its limit of the moment
    says_path: bool = True  # the board reports whether its paths are closed
    omits: list[str] = field(factory=list)  # fields that the board does not report
    counter_gain: float = 1.0  # error of the board's charge counter
    counter_offset_a: float = 0.0
    counter_error: float = 0.0  # how far its state of charge is off at the start
    counter_full_v: float = 54.4  # above this, at a small current, the counter comes right
    report_s: float = 2.0
    skew_s: float = 0.0  # delay of its first report
    late_s: float = 0.0  # how old a reading is when it is reported
    current_noise_a: float = 0.05
    voltage_offset_v: float = 0.0
    current_offset_a: float = 0.0


@define(kw_only=True)
class ChargerModel:
    """A charger, or several that act as one."""

    latency_s: float = 5.0
    rise_a_per_s: float = 10.0
    fall_a_per_s: float = 50.0
    limits: str = "battery"  # what it holds at the limit: battery current, or its own output
    ceiling_a: float = 600.0
    part: float = 1.0  # of the sun, the limit and the loads, where there are several
    drop_ohm: float = 0.0  # lead and droop: its voltage falls by this on the way to the bus
    gives_up_s: float = 0.0  # stops when it has heard nothing for so long; 0: never


@define(kw_only=True)
class SunModel:
    """Half a sine from sunrise to sunset, through clouds."""

    peak_a: float = 300.0
    sunrise_h: float = 6.5
    sunset_h: float = 17.5
    cloudy: bool = False
    cloud_s: float = 180.0  # mean time under one kind of sky
    smoothing_s: float = 10.0


@define(kw_only=True)
class LoadModel:
    """House and workshop loads."""

    base_a: float = 15.0
    base_swing_a: float = 3.0  # drawn anew every hour
    evening_a: float = 25.0
    evening_start_h: float = 18.0
    evening_end_h: float = 22.5
    steps_a: list[float] = field(factory=lambda: [10.0, 25.0, 45.0])
    steps_per_h: float = 6.0
    step_s: float = 240.0
    working_h: list[float] = field(factory=lambda: [0.0, 24.0])  # when steps may come


@define(kw_only=True)
class Fault:
    """Something that goes wrong from `start_s` to `stop_s`.

    kind: one of FAULT_KINDS; `pack`: where, for those that concern a pack; `value`: amperes for
    offset, seconds for late.
    """

    kind: str
    start_s: float
    stop_s: float
    pack: str | None = None
    value: float = 0.0


@define(kw_only=True)
class Scenario:
    """A bank and its day."""

    title: str = "a day"
    packs: list[PackModel]
    charger: ChargerModel = field(factory=ChargerModel)
    more_chargers: list[ChargerModel] = field(factory=list)
    sun: SunModel = field(factory=SunModel)
    load: LoadModel = field(factory=LoadModel)
    faults: list[Fault] = field(factory=list)
    ladder_ohm: float = 0.0  # bus resistance between neighbouring packs; 0: a star
    report_loss: float = 0.0  # part of the reports that is lost
    start_s: float = 0.0  # time of day at the start
    duration_s: float = DAY_S
    seed: int = 1


PACK_NAMES = ("alder", "birch", "cedar", "date", "ebony", "figtree")
FAULT_KINDS = (
    "drop",  # no report arrives
    "freeze",  # the values stand still, the samples count on
    "late",  # reports tell of what was so many seconds ago
    "flip_sign",  # of the current
    "offset",  # of the current
    "opens",  # the pack opens both paths
    "opens_charge",  # or its charge path
    "charger_ignores",  # every current limit and permission, not the voltage
    "gateway_silent",  # no command leaves
)


def demo() -> Scenario:
    """The demo: a small joinery in a converted barn, one clear day. INVENTED DATA."""
    return Scenario(
        title="a small joinery in a converted barn (invented data)",
        packs=[
            PackModel(
                pack="oak",
                capacity_ah=314,
                charge=0.21,
                charge_limit_a=157,
                discharge_limit_a=200,
                cell_ohm=0.00035,
                external_ohm=0.0018,
                report_s=2.0,
                skew_s=0.3,
            ),
            # One tired joint: 3 mOhm more than its neighbour.
            PackModel(
                pack="ash",
                capacity_ah=230,
                charge=0.19,
                charge_limit_a=115,
                discharge_limit_a=150,
                cell_ohm=0.00042,
                external_ohm=0.0050,
                report_s=2.0,
                skew_s=0.9,
            ),
            # Its counter has drifted low, and is set up for a higher end than the bank's.
            PackModel(
                pack="elm",
                capacity_ah=230,
                charge=0.21,
                charge_limit_a=115,
                discharge_limit_a=150,
                cell_ohm=0.00042,
                external_ohm=0.0020,
                counter_error=-0.14,
                counter_offset_a=-0.2,
                counter_full_v=57.0,
                report_s=5.0,
                skew_s=1.4,
            ),
            # Old: half the current, a higher cell.
            PackModel(
                pack="fir",
                capacity_ah=100,
                charge=0.22,
                charge_limit_a=50,
                discharge_limit_a=60,
                cell_ohm=0.00090,
                external_ohm=0.0025,
                high_cell_charge=0.004,
                says_path=False,
                report_s=3.0,
                skew_s=2.0,
            ),
        ],
        sun=SunModel(peak_a=330.0),
        # A table saw and a dust extractor, in working hours.
        load=LoadModel(
            base_a=12.0, steps_a=[20.0, 45.0], steps_per_h=8.0, step_s=180.0, working_h=[7.5, 16.5]
        ),
        charger=ChargerModel(latency_s=5.0),
        report_loss=0.01,
        seed=7,
    )


def random_day(seed: int) -> Scenario:
    """Return a day with a random bank: 2..6 mixed packs, clear or cloudy, a slow or a quick loop.

    Odd seeds are clear days. Resistances within 1:4, readings every 1..5 s with skew and 2 % loss,
    latency 2..20 s, noise, both kinds of charger. Invented, for tests.
    """
    random = Random(f"day {seed}")
    packs = []
    for name in PACK_NAMES[: random.randint(2, 6)]:
        capacity_ah = random.choice([100.0, 150.0, 230.0, 280.0, 314.0])
        limit_a = capacity_ah * random.choice([0.3, 0.5, 0.7])
        packs.append(
            PackModel(
                pack=name,
                capacity_ah=capacity_ah,
                charge=random.uniform(0.2, 0.35),
                cell_ohm=random.uniform(0.0003, 0.0006),
                external_ohm=random.uniform(0.001, 0.006),
                high_cell_charge=random.choice([0.0, 0.0, 0.01]),
                charge_limit_a=limit_a,
                discharge_limit_a=limit_a * 1.5,
                says_path=random.random() < 0.7,
                report_s=random.choice([1.0, 2.0, 3.0, 5.0]),
                skew_s=random.uniform(0, 3),
                current_noise_a=0.1,
            )
        )
    most_a = sum(pack.charge_limit_a for pack in packs)
    return Scenario(
        title=f"random day {seed} (invented data)",
        packs=packs,
        charger=ChargerModel(
            latency_s=random.uniform(2, 20), limits=random.choice(["battery", "output"])
        ),
        sun=SunModel(peak_a=most_a * random.uniform(0.6, 1.2), cloudy=seed % 2 == 0),
        load=LoadModel(base_a=random.uniform(5, 18)),
        report_loss=0.02,
        start_s=5.5 * HOUR_S,
        duration_s=13.5 * HOUR_S,
        seed=seed,
    )
