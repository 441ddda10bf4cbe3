"""Unheard is not gone, and old is not new: presence over any silence, wraps of the counter included."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.strategies import BASE, banks, content, departures, give, names_of, open_bank

WRAP_MS = 1 << 30
HALF_MS = 1 << 29
FRESH_MS = 10_000
UNHEARD_MS = 30_000


class Site:
    """A bank, and the true time, which does not wrap."""

    def __init__(self, names, **settings):
        self.names = names
        self.bank = open_bank({"packs": [{"pack": name} for name in names], **settings})
        self.now_ms = 0
        self.sample = 0
        self.bank.step(0)

    def report(self, name, age_ms=0, **fields):
        self.sample += 1
        report = {**BASE, **fields, "pack": name, "sample": self.sample & 0xFFFF, "age_ms": age_ms}
        assert give(self.bank, {"op": "report", "t": self.now_ms, **report}) is None

    def ask(self, kind, pack):
        return give(self.bank, {"op": "request", "t": self.now_ms, "kind": kind, "pack": pack})

    def step(self, ms):
        self.now_ms += ms
        return self.bank.step(self.now_ms)

    def runs(self, seconds):
        for _ in range(seconds):
            for name in self.names:
                self.report(name)
            self.step(1_000)

    def presence(self, name):
        return next(row.presence for row in self.bank._bank.view.packs if row.pack == name)


# Time between steps: short, long, and near half of and the whole range of the counter. A gap of a
# whole range, within fresh_ms, cannot be told from none by anybody who has only the counter.
gaps = st.one_of(
    st.integers(0, 12_000),
    st.integers(0, WRAP_MS - FRESH_MS - 1),
    st.integers(HALF_MS - 40_000, HALF_MS + 40_000),
)


@given(st.lists(gaps, min_size=1, max_size=12), st.integers(0, FRESH_MS))
@example([5_000, HALF_MS - 1_000], 0)  # once: a reading 149 h old was live
@example([HALF_MS + 500], 0)  # once: time stood still, and the pack stayed live
def test_an_old_pack_never_looks_fresh(silence, age_ms):
    """However long the silence and however the counter wraps meanwhile: a pack without a new reading
    is not live once fresh_ms have passed since its last one, is unheard once unheard_ms have, and
    gives no permission from then on."""
    site = Site(["ash"])
    site.runs(40)
    site.report("ash", age_ms)
    old_ms = age_ms
    for gap_ms in silence:
        view = site.step(gap_ms)
        old_ms += gap_ms
        if old_ms > UNHEARD_MS:
            assert site.presence("ash") == "unheard"
            assert view.charge_current_limit_ma == view.discharge_current_limit_ma == 0
        elif old_ms > FRESH_MS:
            assert site.presence("ash") == "late"


@given(
    st.lists(st.tuples(gaps, st.one_of(st.integers(0, 40_000), st.none())), min_size=1, max_size=8),
    st.integers(2, 4),
)
@example([(0, 0), (5_000, None), (HALF_MS - 1_000, 0)], 2)
def test_recovery_needs_fresh_readings_in_a_row(readings, needed):
    """A silent pack is live again only after recovery_samples fresh readings, none of them more than
    unheard_ms after the one before it; a silence of any length, wraps included, starts the row
    over."""
    site = Site(["ash"], recovery_samples=needed)
    row, last_ms = 0, None
    for gap_ms, age_ms in readings:
        site.step(gap_ms)
        if site.presence("ash") == "live":
            return
        if age_ms is None:  # nothing said
            continue
        site.report("ash", age_ms)
        taken_ms = site.now_ms - age_ms
        if age_ms > FRESH_MS:
            row = 0
        else:
            row = row + 1 if row and taken_ms - last_ms <= UNHEARD_MS else 1
        last_ms = taken_ms
        assert (site.presence("ash") == "live") == (row >= needed)


@given(st.integers(0, FRESH_MS), st.integers(FRESH_MS + 1, UNHEARD_MS))
def test_a_late_pack_is_live_again_at_once(age_ms, silence_ms):
    """One fresh reading makes a late pack live."""
    site = Site(["ash"])
    site.runs(5)
    site.step(silence_ms - 1_000)
    assert site.presence("ash") == "late"
    site.report("ash", age_ms)
    assert site.presence("ash") == "live"


def without_fir(seconds=5):
    """A site of which the owner has disconnected `fir`."""
    site = Site(["ash", "fir"], recovery_samples=1, reenable_ms=0)
    site.runs(seconds)
    site.names = ["ash"]
    site.runs(40)
    assert site.presence("fir") == "unheard"
    assert site.ask("declare_removed", "fir") is None
    assert site.presence("fir") == "removed"
    return site


@given(st.integers(0, FRESH_MS), departures, st.lists(gaps, max_size=3))
def test_a_removed_pack_that_reports_counts_at_once(age_ms, changes, silence):
    """One fresh reading of a removed pack makes it live: it contributes, its limits bind, and its
    refusal stops the bank."""
    site = without_fir()
    for gap_ms in silence:
        site.step(gap_ms)
        assert site.presence("fir") == "removed"
    site.report("ash")
    fields = content(changes)
    site.report("fir", age_ms, **fields)
    view = site.step(0)
    assert site.presence("fir") == "live"
    for side in ("charge", "discharge"):
        own_mv = fields[side + "_voltage_limit_mv"]
        limit_mv = getattr(view, side + "_voltage_limit_mv")
        if own_mv is not None:
            assert limit_mv <= own_mv if side == "charge" else limit_mv >= own_mv
        if fields[side + "_allowed"] is False and fields[side + "_path_closed"] is not False:
            assert getattr(view, side + "_current_limit_ma") == 0


@given(st.integers(FRESH_MS + 1, UNHEARD_MS))
def test_a_removed_pack_that_reports_late_is_not_removed(age_ms):
    """A reading of a removed pack that is not fresh, but was taken after the owner's word, shows
    that the pack is there: it is not removed any more."""
    site = without_fir()
    site.runs(60)
    site.report("fir", age_ms)
    site.step(0)
    assert site.presence("fir") != "removed"


@given(
    st.lists(
        st.tuples(st.integers(0, 40_000), st.booleans(), st.integers(0, FRESH_MS)),
        min_size=1,
        max_size=8,
    ),
    st.booleans(),
)
def test_declare_removed_is_refused_for_a_pack_that_reports(reports, warm):
    """While a pack's last reading is no older than fresh_ms, it cannot be declared removed, live or
    not; once it has been silent for unheard_ms, it can."""
    site = Site(["ash", "fir"])
    if warm:
        site.runs(5)
    last_ms = site.now_ms - 1_000 if warm else None
    for gap_ms, speaks, age_ms in reports:
        site.step(gap_ms)
        if speaks:
            site.report("fir", age_ms)
            last_ms = site.now_ms - age_ms
            site.step(0)
        silent_ms = UNHEARD_MS + 1 if last_ms is None else site.now_ms - last_ms
        if silent_ms > UNHEARD_MS:
            assert site.ask("declare_removed", "fir") is None
            return
        if silent_ms <= FRESH_MS:
            assert site.ask("declare_removed", "fir") is not None
            assert site.presence("fir") != "removed"


@pytest.mark.parametrize("frozen_pack_reports_on", [True, False])
def test_a_frozen_pack_cannot_be_declared_away(frozen_pack_reports_on):
    """Regression: a pack that still reports, if only frozen readings, could be declared removed, and
    its next report made it live."""
    site = Site(["ash", "fir"], frozen_ms=10_000)
    for moment in range(60):
        site.report("ash", current_ma=5_000 + moment % 2 * 3_000)
        site.report("fir")
        site.step(1_000)
    assert site.presence("fir") == "unheard"
    if frozen_pack_reports_on:
        assert site.ask("declare_removed", "fir") is not None
        assert site.presence("fir") == "unheard"
    else:
        site.names = ["ash"]
        site.runs(60)
        assert site.ask("declare_removed", "fir") is None


@given(banks(), st.integers(-(1 << 40), 1 << 40))
def test_nobody_speaks_before_the_first_step(settings, now_ms):
    """Before the first step nothing may be sent to a charger, wherever the counter starts."""
    bank = open_bank({**settings, "recovery_samples": 1})
    for name in names_of(settings):
        give(bank, {"op": "report", "t": now_ms, "pack": name, "sample": 1, **BASE})
    assert not bank.may_speak(now_ms)
    bank.step(now_ms)
    assert bank.may_speak(now_ms)
