"""Every limit knows why: the list of caps is the limit, written out."""

from hypothesis import given
from hypothesis import strategies as st

from aggregator import LIMITS, Aggregator, Cap
from aggregator.plain import view_to_plain
from aggregator.rules import CURRENT_RULES, VOLTAGE_RULES
from tests.strategies import banks, events, give, names_of, open_bank, orders, scripts, wishes

UNITS = {"current": "_ma", "voltage": "_mv"}


@st.composite
def runs(draw):
    settings = draw(banks())
    names = names_of(settings)
    return settings, draw(scripts(names, st.one_of(wishes(names), orders(names))))


def told(view: dict, limit: str) -> Cap:
    """The cap that the view says is the binding one."""
    unit = UNITS[limit.split("_")[1]]
    return Cap(view[limit + "_limit" + unit], view[limit + "_rule"], view[limit + "_pack"])


def alone(bank: Aggregator, limit: str) -> dict[str, int]:
    """What each rule says when it is evaluated by itself."""
    core = bank._bank
    side = {
        "charge_current": core.charge,
        "discharge_current": core.discharge,
        "charge_voltage": core.charge_voltage,
        "discharge_voltage": core.discharge_voltage,
    }[limit]
    rules = CURRENT_RULES if limit.endswith("current") else VOLTAGE_RULES
    sign = -1 if limit == "discharge_voltage" else 1
    return {name: sign * rule(side) for name, rule, _, _ in rules}


@given(runs())
def test_the_tightest_cap_is_the_limit(run):
    """After every step each of the four limits has at least one cap; the first one is the limit,
    with the rule and pack of the view, and no other is tighter; the named rule, evaluated alone,
    gives that very value."""
    settings, script = run
    bank = open_bank(settings)
    for event in events(script, names_of(settings)):
        if event["op"] != "step":
            give(bank, event)
            continue
        view = view_to_plain(bank.step(event["t"]))
        for limit in LIMITS:
            caps = bank.why(limit)
            assert caps
            assert caps[0] == told(view, limit)
            assert alone(bank, limit)[caps[0].rule] == caps[0].value
            values = [cap.value for cap in caps]
            assert values == sorted(values, reverse=limit == "discharge_voltage")
            assert len({cap.rule for cap in caps}) == len(caps)


@given(runs())
def test_caps_say_what_their_rules_promise(run):
    """Caps whose value can be read off settings, wishes or rows have that value: contributions,
    bank_ceiling, ceiling, unheard (the smallest grant at most) and owner_cap."""
    settings, script = run
    bank = open_bank(settings)
    ceiling_mv = {
        "charge_voltage": settings.get("charge_voltage_ceiling_mv", 16 * 3_550),
        "discharge_voltage": settings.get("discharge_voltage_floor_mv", 16 * 2_800),
    }
    for event in events(script, names_of(settings)):
        if event["op"] != "step":
            give(bank, event)
            continue
        rows = bank.step(event["t"]).packs
        for side in ("charge", "discharge"):
            caps = {cap.rule: cap for cap in bank.why(side + "_current")}
            contributed = sum(getattr(row, side + "_contribution_ma") for row in rows)
            assert caps["contributions"].value == contributed
            ceiling = settings.get(side + "_current_ceiling_ma")
            assert (ceiling is None) == ("bank_ceiling" not in caps)
            assert ceiling is None or caps["bank_ceiling"].value == ceiling
            unheard = [row.pack for row in rows if row.presence == "unheard"]
            assert bool(unheard) == ("unheard" in caps)
            if unheard:
                assert caps["unheard"].pack in unheard
            wanted = [
                wish.value
                for wish in bank._bank.wishes.kept
                if wish.kind == "cap_" + side + "_current"
            ]
            assert bool(wanted) == ("owner_cap" in caps)
            assert not wanted or caps["owner_cap"].value == min(wanted)
            caps = {cap.rule: cap for cap in bank.why(side + "_voltage")}
            assert caps["ceiling"].value == ceiling_mv[side + "_voltage"]


@given(runs(), st.data())
def test_why_is_as_of_the_last_step(run, data):
    """What arrives after a step changes neither its view nor its why."""
    settings, script = run
    names = names_of(settings)
    bank = open_bank(settings)
    happenings = events(script, names)
    stop = data.draw(st.integers(0, len(happenings) - 1))
    while happenings[stop]["op"] != "step":
        stop += 1
    for event in happenings[: stop + 1]:
        bank.step(event["t"]) if event["op"] == "step" else give(bank, event)
    view = bank._bank.view

    def shown():
        told_now = view_to_plain(view)
        # Documented to be as of now: the rows of packs, and the count of refusals.
        for name in ("packs", "rejected", "last_refusal"):
            del told_now[name]
        return told_now, [bank.why(limit) for limit in LIMITS]

    before = shown()
    now_ms = happenings[stop]["t"]
    for number, news in enumerate(data.draw(st.lists(st.sampled_from(names), max_size=3))):
        more = data.draw(scripts([news], phases=1))
        report = {**events(more, [news])[0], "t": now_ms, "sample": 20_000 + number}
        if report["op"] == "report":
            give(bank, report)
    ask = data.draw(st.one_of(wishes(names), orders(names)))
    give(bank, {"op": "request", "t": now_ms, **ask})
    bank.restore(bank.snapshot(), now_ms)
    assert shown() == before
