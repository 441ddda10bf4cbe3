"""SITE.toml: a settings file, and the links around the bank. Every mistake is told in one pass.

cell_count = 16            the bank's settings, its [stages] and [[packs]]: see config.py
[gateway]                  the gateway's own: GatewaySettings
[[links]]                  a link: name, kind, and what its kind needs
  [[links.hears]]          what brings reports on it: `as`, and what that needs
  [[links.says]]           what is said on it
"""

import importlib.util
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeGuard

from attrs import frozen

from adapters.config import bank_from
from adapters.gateway.catalogue import KINDS
from adapters.gateway.kind import LinkKind, Row, Surroundings, TalkerKind
from adapters.gateway.settings import GatewaySettings
from adapters.links import Link, Talker
from adapters.readings import Readings
from adapters.structure import STAND_IN, stray, structured
from adapters.toml_file import BadFileError, Complaint, Place, raise_if_any, read_toml, shown
from aggregator import BankSettings, PackSettings
from aggregator.errors import told

OWN_KEYS = ("gateway", "links")
REHEARSAL = "rehearsal-"  # what a rehearsal keeps begins with it


@frozen
class LinkPlan:
    """A link that the site asks for: made anew by `link`, or its ears alone by `ear`."""

    name: str
    kind: LinkKind
    settings: Any
    hears: list[Talker[Any]]
    says: list[Talker[Any]]
    around: Surroundings

    def link(self) -> Link:
        """Return the link with everything that is heard and said on it."""
        return self.kind.make(self.name, self.settings, [*self.hears, *self.says], self.around)

    def ear(self) -> Link:
        """Return the link with what is heard on it alone."""
        return self.kind.make(self.name, self.settings, self.hears, self.around)


@frozen
class SitePlan:
    """A whole site, as its file asks for it."""

    path: Path
    settings: BankSettings
    gateway: GatewaySettings
    links: list[LinkPlan]
    readings: Readings
    bringers: dict[str, str]  # pack -> the link that brings it, where only one may

    def file(self, name: str) -> Path | None:
        """Return the path of a file that the site names; None for no name."""
        return self.path.parent / name if name else None

    def record(self, rehearsal: bool = False) -> str:
        """Return the name of the history; a rehearsal's stands beside it. "": none is kept."""
        before, name = os.path.split(self.gateway.record)
        return os.path.join(before, REHEARSAL + name) if rehearsal and name else self.gateway.record


def is_site(plain: dict[str, object]) -> bool:
    """Does this file describe a site with links, rather than settings alone?"""
    return any(key in plain for key in OWN_KEYS)


def load_site(path: Path) -> SitePlan:
    """Return the site in a file. Raises BadFileError with every complaint."""
    plain, lines = read_toml(path)
    if isinstance(plain.get("kind"), str) and "packs" not in plain:
        raise BadFileError([f"{path}: expected a site, got a map; a site's talker names it: map ="
                            f' "{path.name}"'])  # fmt: skip
    complaints: list[Complaint] = []
    packs = structured(plain.get("packs", []), list[PackSettings], ("packs",), complaints)
    bank = {key: value for key, value in plain.items() if key not in OWN_KEYS}
    settings = bank_from(bank, packs or [], {}, (), complaints)
    gateway = structured(plain.get("gateway", {}), GatewaySettings, ("gateway",), complaints)
    if gateway is not None:
        complaints += _files_of_their_own(gateway, path)
    around = surroundings(path, settings)
    reader = LinksReader(around)
    links = reader.read(plain.get("links", []))
    complaints += reader.complaints
    if settings is not None:
        names = [pack.pack for pack in settings.packs if pack.pack != STAND_IN]
        complaints += reader.who_brings_what(names)
    reader.raise_if_any(complaints, path, lines)
    assert settings is not None
    assert gateway is not None
    return SitePlan(path, settings, gateway, links, around.readings, reader.bringers(links))


def _files_of_their_own(gateway: GatewaySettings, path: Path) -> list[Complaint]:
    """Complain where the state or the history would be written over another file of the site."""
    found = []
    taken = {path.resolve(): "the site's own file"}
    for key, name in (("state", gateway.state), ("record", gateway.record)):
        file = (path.parent / name).resolve()
        if name and file in taken:
            found.append(Complaint(("gateway", key), "a file of its own", taken[file]))
        taken[file] = f"the file of {key}"
    return found


def surroundings(path: Path, settings: BankSettings | None) -> Surroundings:
    """Return what talkers are told of a file's bank; a stand-in where its settings are wrong."""
    return Surroundings(path.parent, settings or BankSettings([PackSettings("stand-in")]))


def _tables(plain: object) -> TypeGuard[list[dict[str, object]]]:
    """Is this what tables in double brackets are?"""
    return isinstance(plain, list) and all(isinstance(one, dict) for one in plain)


class LinksReader:
    """Reads the links, gathering complaints on the way. `kinds`: which there are; `tables`: what
    the talkers of a link stand under, those that bring packs first."""

    def __init__(
        self,
        around: Surroundings,
        kinds: Mapping[str, Row] = KINDS,
        tables: tuple[str, str] = ("hears", "says"),
    ) -> None:
        self.complaints: list[Complaint] = []
        self.others: list[str] = []  # complaints of other files, whole lines
        self._around = around
        self._kinds = kinds
        self._hears, self._says = tables
        self._names: set[str] = set()
        self._bringers: dict[str, Place] = {}  # pack -> who brings its reports
        self._brings_any = False  # somebody brings whichever packs, or cannot be understood yet
        self._metered = False
        self._sources: set[str] = set()  # who may ask for something

    def read(self, plain: object) -> list[LinkPlan]:
        """Return the links that can be made; complain of the others."""
        if not _tables(plain):
            self._complain(("links",), "tables headed [[links]]", told(plain))
            return []
        made = [self._link(dict(one), ("links", number)) for number, one in enumerate(plain)]
        return [one for one in made if one is not None]

    def bringers(self, links: list[LinkPlan]) -> dict[str, str]:
        """Return pack -> name of the link that brings it, for packs that a talker names."""
        return {pack: links[int(place[1])].name for pack, place in self._bringers.items()}

    def who_brings_what(self, names: list[str]) -> list[Complaint]:
        """Complain of packs that nobody brings, and of those that are not in the bank."""
        found = []
        for pack, place in self._bringers.items():
            if pack not in names:
                found.append(Complaint((*place, "pack"), f"one of {', '.join(names)}", told(pack)))
        for number, name in enumerate(names):
            if name not in self._bringers and not self._brings_any:
                hint = f'add a [[links.{self._hears}]] with pack = "{name}"'
                found.append(Complaint(("packs", number, "pack"),
                                       f"a pack that some link {self._hears}", told(name), hint))  # fmt: skip
        return found

    def raise_if_any(
        self, complaints: list[Complaint], path: Path, lines: dict[Place, int]
    ) -> None:
        """Raise BadFileError with these complaints, and those of the files that were named."""
        try:
            raise_if_any(complaints, path, lines)
        except BadFileError as error:
            raise BadFileError([*error.complaints, *self.others]) from None
        if self.others:
            raise BadFileError(self.others)

    def _complain(self, place: Place, expected: str, got: str, hint: str = "") -> None:
        self.complaints.append(Complaint(place, expected, got, hint))

    def _link(self, plain: dict[str, object], place: Place) -> LinkPlan | None:
        name, kind = plain.pop("name", None), self._kind(plain.pop("kind", None), place)
        if not isinstance(name, str) or not name or name in self._names:
            self._complain((*place, "name"), "a name, each link its own", told(name))
            name = f"link {place[-1]}"
        self._names.add(name)
        hears, says = plain.pop(self._hears, []), plain.pop(self._says, [])
        if kind is None:
            self._brings_any = True
            return None
        for key in [key for key, value in plain.items() if value and _tables(value)]:
            plain.pop(key)
            self.complaints.append(stray(key, [self._hears, self._says]).under(place))
        settings = structured(plain, kind.settings, place, self.complaints)
        heard = self._talkers(hears, kind.hears, (*place, self._hears))
        said = self._talkers(says, kind.says, (*place, self._says))
        if settings is None:
            return None
        plan = LinkPlan(name, kind, settings, heard, said, self._around)
        try:
            plan.link()
        except ValueError as error:
            self._complain(place, str(error), "something else")
        return plan

    def _kind(self, name: object, place: Place) -> LinkKind | None:
        row = self._kinds.get(name) if isinstance(name, str) else None
        if row is None:
            self._complain(
                (*place, "kind"), f"one of {', '.join(sorted(self._kinds))}", shown(name)
            )
            return None
        missing = [module for module in row.modules if importlib.util.find_spec(module) is None]
        if missing:
            hint = f"pip install 'packyoke[{row.extra}]'"
            self._complain(
                (*place, "kind"), f"{missing[0]} to be installed", "no such module", hint
            )
            return None
        return row.load()

    def _talkers(
        self, plain: object, kinds: dict[str, TalkerKind], place: Place
    ) -> list[Talker[Any]]:
        if not _tables(plain):
            self._complain(place, "tables in double brackets", told(plain))
            return []
        before: list[tuple[TalkerKind, Any]] = []
        made = [self._talker(dict(one), kinds, (*place, n), before) for n, one in enumerate(plain)]
        return [one for one in made if one is not None]

    def _talker(
        self,
        plain: dict[str, object],
        kinds: dict[str, TalkerKind],
        place: Place,
        before: list[tuple[TalkerKind, Any]],
    ) -> Talker[Any] | None:
        name = plain.pop("as", None)
        kind = kinds.get(name) if isinstance(name, str) else None
        if kind is None:
            known = ", ".join(sorted(kinds)) or "nothing: this kind of link has none"
            self._complain((*place, "as"), f"one of {known}", shown(name))
            self._brings_any |= place[-2] == self._hears
            return None
        settings = structured(plain, kind.settings, place, self.complaints)
        if settings is None:
            self._brings_any |= place[-2] == self._hears
            return None
        self._note_packs(kind.packs(settings), place)
        if kind.packs(settings) and any(
            other is kind and kind.packs(one) and kind.one(one, settings) for other, one in before
        ):
            hint = "one pack's numbers must not count for two: say what tells them apart on the bus"
            self._complain(place, "a pack of its own", "the numbers of one above", hint)
        before.append((kind, settings))
        try:
            talker = kind.make(settings, self._around)
            self._note_source(getattr(talker, "source", None), place)
            return talker
        except BadFileError as error:
            if error.unreadable:
                got = "; ".join(error.complaints)
                hint = (
                    "to start one: packyoke init FILE --map KIND; docs/how-to/map-a-bus-you-know.md"
                )
                self._complain((*place, "map"), "a map that is there", got, hint)
            else:
                self.others += [one for one in error.complaints if one not in self.others]
        except ValueError as error:
            self._complain(place, str(error), "not that")
        return None

    def _note_source(self, source: str | None, place: Place) -> None:
        """Complain if another asks under the same name: it would take back this one's stop."""
        if source in self._sources:
            hint = "two that share one take back what the other asked for"
            self._complain((*place, "source"), "a source of its own", told(source), hint)
        if source is not None:
            self._sources.add(source)

    def _note_packs(self, packs: Any, place: Place) -> None:
        if packs is None:
            self._brings_any = True
            return
        if not packs and place[-2] == "hears":  # a meter on the common bus
            if self._metered:
                hint = "two would be taken for one that jumps: leave one out, or name its pack"
                self._complain(place, "one meter on the common bus", "a second one", hint)
            self._metered = True
        for pack in packs:
            if pack in self._bringers:
                self._complain((*place, "pack"), "a pack that no other link brings", told(pack))
            self._bringers[pack] = place
