"""RIG.toml: what is around a bridge, so that it can be judged. Every mistake is told in one pass.

fresh_ms = 10_000          the settings that the bridge was given: as in SITE.toml
[[packs]]                  its packs
[rig]                      RigSettings
[[links]]                  a link: name, kind, and what its kind needs, as in SITE.toml
  [[links.plays]]          a pack that is played on it: `as`, and what hears it would need
  [[links.listens]]        a charger that listens on it
"""

from pathlib import Path
from typing import Any

from attrs import field, frozen

from adapters.cli.rig.ears import Ear
from adapters.cli.rig.kinds import RIG_KINDS
from adapters.cli.rig.voices import Players
from adapters.config import bank_from
from adapters.gateway.site_file import LinkPlan, LinksReader, surroundings
from adapters.registers import within
from adapters.structure import structured
from adapters.toml_file import BadFileError, Complaint, read_toml
from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from aggregator.errors import told
from aggregator.plain import report_from, settings_to_plain

Plain = dict[str, Any]

OWN_KEYS = ("rig", "links")
MODBUS = ("modbus-tcp", "modbus-rtu", "modbus-tcp-server", "modbus-rtu-server")
# The first word of a target, and the kinds of links of which the rig must have one.
BUSES = {"can": ("can",), "modbus": MODBUS, "mqtt": ("mqtt",), "bus": tuple(RIG_KINDS)}
# What the stories change, and so must know.
NEEDED = ("current_ma", "charge_current_limit_ma", "charge_voltage_limit_mv",
          "discharge_voltage_limit_mv")  # fmt: skip


@frozen(kw_only=True)
class RigSettings:
    """How the bridge is judged."""

    # How long the bridge and the buses may take from a pack's word to a charger's ear [ms]: its
    # reaction, how often it polls, how often it speaks. Shorter asks more of it.
    react_ms: int = field(default=2_000, validator=within(100, 30_000))
    # Fields of a report that differ from those of a healthy pack, for packs of another size.
    healthy: dict[str, object] = field(factory=dict)


@frozen
class RigPlan:
    """A whole rig, as its file asks for it. `settings` as JSON; `carries`: what each pack's map can
    say of a healthy report; `tells`: what chargers hear."""

    name: str
    settings: Plain
    react_ms: int
    healthy: Plain
    links: list[LinkPlan]
    carries: frozenset[str]
    tells: frozenset[str]


def is_rig(target: str) -> bool:
    """Does a target name a bus, and so a rig's file?"""
    kind, colon, _ = target.partition(":")
    return bool(colon) and kind in BUSES


def describes_rig(plain: Plain) -> bool:
    """Does a file describe a rig, rather than a site?"""
    links = plain.get("links", [])
    rows = [row for row in links if isinstance(row, dict)] if isinstance(links, list) else []
    return "rig" in plain or any("plays" in row or "listens" in row for row in rows)


def load_rig(target: str) -> RigPlan:
    """Return the rig that a target such as can:RIG.toml names. Raises BadFileError."""
    bus, _, name = target.partition(":")
    if not name:
        raise BadFileError([f"{target}: expected the rig's file behind it, such as {bus}:RIG.toml"])
    path = Path(name)
    plain, lines = read_toml(path)
    complaints: list[Complaint] = []
    packs = structured(plain.get("packs", []), list[PackSettings], ("packs",), complaints)
    bank = {key: value for key, value in plain.items() if key not in OWN_KEYS}
    settings = bank_from(bank, packs or [], {}, (), complaints)
    chosen = structured(plain.get("rig", {}), RigSettings, ("rig",), complaints)
    reader = LinksReader(surroundings(path, settings), RIG_KINDS, ("plays", "listens"))
    kinds = _kinds(plain)
    links = reader.read(plain.get("links", []))
    complaints += reader.complaints
    well: Plain = {}
    if settings is not None:
        complaints += reader.who_brings_what([pack.pack for pack in settings.packs])
        well = healthy(settings) | (chosen.healthy if chosen is not None else {})
        complaints += _unsound(well, settings)
    if not reader.complaints and not any(link.says for link in links):
        complaints.append(Complaint(("links",), "a [[links.listens]]: who is told", "none"))
    if not reader.complaints and not set(kinds) & set(BUSES[bus]):
        got = ", ".join(sorted(set(kinds)))
        complaints.append(Complaint(("links",), f"a link of kind {' or '.join(BUSES[bus])}", got))
    reader.raise_if_any(complaints, path, lines)
    assert settings is not None
    assert chosen is not None
    return RigPlan(
        name=target,
        settings=settings_to_plain(settings),
        react_ms=chosen.react_ms,
        healthy=well,
        links=links,
        carries=_carried(path, links, well),
        tells=frozenset(name for link in links for ear in link.says if isinstance(ear, Ear)
                        for name in ear.fields),
    )  # fmt: skip


def _kinds(plain: Plain) -> list[str]:
    """Return the kinds of links that are named, right or wrong."""
    links = plain.get("links", [])
    rows = links if isinstance(links, list) else []
    return [str(row.get("kind")) for row in rows if isinstance(row, dict)]


def healthy(settings: BankSettings) -> Plain:
    """Return the fields of a report in which all is well: half full, warm, a little current."""
    cells = settings.cell_count
    return {
        "voltage_mv": 3_325 * cells, "current_ma": 10_000,
        "cell_min_mv": 3_320, "cell_max_mv": 3_330, "cell_min_no": 1, "cell_max_no": cells,
        "cell_count": cells, "cells_mv": [3_320] + [3_325] * max(0, cells - 2) + [3_330] * (cells > 1),
        "temperature_min_decic": 200, "temperature_max_decic": 220,
        "temperatures_decic": [200, 220], "soc_permille": 600, "soh_permille": 990,
        "charge_allowed": True, "discharge_allowed": True,
        "charge_path_closed": True, "discharge_path_closed": True,
        "charge_voltage_limit_mv": 3_500 * cells, "discharge_voltage_limit_mv": 2_900 * cells,
        "charge_current_limit_ma": 100_000, "discharge_current_limit_ma": 100_000,
        "balancing": False, "warnings": [], "protections": [],
    }  # fmt: skip


def _unsound(well: Plain, settings: BankSettings) -> list[Complaint]:
    """Complain of a healthy report that no pack could say."""
    place = ("rig", "healthy")
    for name in NEEDED:
        if type(well[name]) is not int:
            return [Complaint((*place, name), "a whole number", told(well[name]))]
    found = report_from({"pack": settings.packs[0].pack, "sample": 0, **well})
    refusal = Aggregator(settings).accept(found, 0) if isinstance(found, PackReport) else found
    return (
        []
        if refusal is None
        else [Complaint((*place, refusal.field), refusal.expected, refusal.got)]
    )


def _carried(path: Path, links: list[LinkPlan], well: Plain) -> frozenset[str]:
    """Return the fields that every pack's map can say. Raises BadFileError: one can say nothing."""
    found: set[str] | None = None
    wrong = []
    for link in links:
        for players in link.hears:
            assert isinstance(players, Players)
            for pack in players.voices:
                heard = players.carried(pack, {"pack": pack, "sample": 1, **well})
                if heard is None:
                    wrong.append(f"{path}: {pack}: its map makes no whole report of a healthy pack;"
                                 " see [rig.healthy]")  # fmt: skip
                    continue
                fields = {name for name, value in heard.items() if value is not None}
                found = fields if found is None else found & fields
    if wrong:
        raise BadFileError(wrong)
    return frozenset(found or ())
