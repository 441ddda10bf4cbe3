"""Warnings and protections: those of every pack that is there, and no others."""

from tests.bank import two


def test_alarms_are_the_union() -> None:
    """Warnings and protections of all packs, each once, in alphabetical order."""
    oak = {"warnings": ["other", "cell_imbalance"], "protections": {"short_circuit"}}
    fir = {"warnings": ("cell_over_voltage", "other"), "protections": []}
    view = two(oak, fir).view
    assert view.warnings == ("cell_imbalance", "cell_over_voltage", "other")
    assert view.protections == ("short_circuit",)


def test_an_alarm_of_a_pack_that_was_declared_returned_is_shown_again() -> None:
    """It is silent again, and what it said last counts again."""
    site = two({"warnings": ["other"], "protections": ["short_circuit"]}, {})
    site.falls_silent("oak")
    site.runs(40)
    site.asks("declare_removed", pack="oak")
    view = site.runs(1)
    assert (view.warnings, view.protections) == ((), ())
    site.asks("declare_returned", pack="oak")
    view = site.runs(1)
    assert (view.warnings, view.protections) == (("other",), ("short_circuit",))


def test_an_alarm_goes_when_its_pack_no_longer_says_it() -> None:
    """The next report without the alarm clears it."""
    site = two({"warnings": ["other"]}, {})
    site.says("oak", warnings=None)
    assert site.runs(1).warnings == ()


def test_alarms_of_others_stay_when_a_pack_is_removed() -> None:
    """The union is that of the packs that are left."""
    site = two({"warnings": ["other"], "protections": ["short_circuit"]}, {"warnings": ["other"]})
    site.falls_silent("fir")
    site.runs(40)
    site.asks("declare_removed", pack="fir")
    view = site.runs(1)
    assert (view.warnings, view.protections) == (("other",), ("short_circuit",))
