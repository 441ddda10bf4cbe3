"""TOML files into settings and scenarios; every mistake in the file is told in one pass.

The ranges are the core's own tables (aggregator/settings.py), turned into attrs classes whose
fields carry them; cattrs structures the file and collects what is wrong.
"""

import re
import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin

import attrs
from cattrs import BaseValidationError, Converter, ForbiddenExtraKeysError, transform_error
from cattrs.gen import make_dict_structure_fn

from aggregator import BankSettings, PackSettings, SettingsError, StageSettings
from aggregator.errors import told
from aggregator.settings import (
    BANK_CHOICES,
    BANK_FLAGS,
    BANK_INTS,
    PACK_CURVES,
    PACK_FLAGS,
    PACK_INTS,
    STAGE_CHOICES,
    STAGE_INTS,
)

LARGEST_BYTES = 1_000_000
Complaints = list[str]


class BadFileError(Exception):
    """A file that cannot be used: `complaints`, one line each; `unreadable`: it was not even read."""

    def __init__(self, complaints: Complaints, unreadable: bool = False) -> None:
        self.complaints = complaints
        self.unreadable = unreadable
        super().__init__("\n".join(complaints))


@attrs.frozen
class Range:
    """The bounds of an integer field."""

    low: int
    high: int


@attrs.frozen
class Words:
    """The words a text field may be."""

    allowed: tuple[str, ...]


def _fields(
    ints: tuple[tuple[str, int, int, bool], ...],
    flags: tuple[str, ...] = (),
    choices: tuple[tuple[str, tuple[str, ...]], ...] = (),
    others: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return attrs fields for the core's tables; all optional, absent is attrs.NOTHING-like None."""
    found: dict[str, Any] = {}
    for name, low, high, _ in ints:
        number: Any = Annotated[int, Range(low, high)]
        found[name] = attrs.field(default=None, type=number)
    for name in flags:
        found[name] = attrs.field(default=None, type=bool)
    for name, words in choices:
        text: Any = Annotated[str, Words(words)]
        found[name] = attrs.field(default=None, type=text)
    for name, kind in (others or {}).items():
        found[name] = attrs.field(default=None, type=kind)
    return found


_Curve = list[tuple[int, int]]
PackFile = attrs.make_class(
    "PackFile",
    {
        "pack": attrs.field(type=str),
        **_fields(PACK_INTS, PACK_FLAGS, (), dict.fromkeys(PACK_CURVES, _Curve)),
    },
    kw_only=True,
)
StageFile = attrs.make_class(
    "StageFile",
    _fields(STAGE_INTS, (), STAGE_CHOICES, {"adjustable": list[tuple[str, int, int]]}),
    kw_only=True,
)
_BANK = _fields(BANK_INTS, BANK_FLAGS, BANK_CHOICES, {"stages": StageFile, "own_packs": list[str]})
BankFile = attrs.make_class(
    "BankFile",
    {"packs": attrs.field(type=list[PackFile]), **_BANK},  # type: ignore[valid-type]  # a class
    kw_only=True,
)
# In a scenario file the packs are described by the plant; [bank] holds the rest of the settings.
BankPartFile = attrs.make_class("BankPartFile", _BANK, kw_only=True)


def converter() -> Converter:
    """Return a converter that takes TOML values as they are, and nothing for something else."""
    made = Converter(forbid_extra_keys=True, detailed_validation=True)
    for kind, name in ((int, "an integer"), (bool, "true or false"), (str, "a text")):
        made.register_structure_hook(kind, _exactly(kind, name))
    made.register_structure_hook(float, _number)
    made.register_structure_hook_func(_is_bounded, _bounded)
    made.register_structure_hook_factory(
        attrs.has, lambda cls: make_dict_structure_fn(cls, made, _cattrs_forbid_extra_keys=True)
    )
    return made


def _exactly(kind: type, name: str) -> Any:
    def hook(value: Any, _: Any) -> Any:
        if type(value) is not kind:
            raise ValueError(f"expected {name}, got {told(value)}")
        return value

    return hook


def _number(value: Any, _: Any) -> float:
    if type(value) not in (int, float):
        raise ValueError(f"expected a number, got {told(value)}")
    return float(value)


def _is_bounded(kind: Any) -> bool:
    return get_origin(kind) is Annotated and isinstance(get_args(kind)[1], (Range, Words))


def _bounded(value: Any, kind: Any) -> Any:
    bound = get_args(kind)[1]
    if isinstance(bound, Words):
        if value not in bound.allowed:
            raise ValueError(f"expected {' or '.join(bound.allowed)}, got {told(value)}")
        return value
    if type(value) is not int or not bound.low <= value <= bound.high:
        raise ValueError(f"expected {bound.low}..{bound.high}, got {told(value)}")
    return value


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """Return a TOML file's content, and its text. Raises BadFileError."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        raise BadFileError([f"{path}: {reason}; check the name"], unreadable=True) from None
    if len(raw) > LARGEST_BYTES:
        raise BadFileError([f"{path}: larger than 1 MB; this is not a settings file"])
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        raise BadFileError([f"{path}: not a text in UTF-8; expected a TOML file"]) from None
    if not text.strip():
        raise BadFileError([f"{path}: the file is empty; it needs at least one [[packs]]"])
    try:
        return tomllib.loads(text), text
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        where = re.search(r"line (\d+)", str(error))
        place = f"{path}:{where[1]}" if where else f"{path}"
        reason = re.sub(r" \(at line.*\)$", "", str(error)) or "nested too deeply"
        raise BadFileError([f"{place}: not TOML: {reason[0].lower()}{reason[1:]}"]) from None


def structured(plain: Any, kind: type, path: Path, text: str) -> Any:
    """Return `plain` as a `kind`. Raises BadFileError with every complaint."""
    try:
        return converter().structure(plain, kind)
    except BaseValidationError as error:
        lines = transform_error(error, path="", format_exception=_told)
        complaints = []
        for line in lines:
            message, _, where = line.rpartition(" @ ")
            for part in message.split("\0"):
                key = where.lstrip(".")
                # An unknown key stands under its parent.
                name, mark, rest = part.partition("\1")
                if mark:
                    key, part = f"{key}.{name}".lstrip("."), rest
                complaints.append(_complaint(path, text, key, part))
        raise BadFileError(complaints) from None


def _complaint(path: Path, text: str, key: str, message: str) -> str:
    number = line_of(text, key)
    return f"{path}{f':{number}' if number else ''}: {key or 'the file'}: {message}"


def _told(error: BaseException, kind: Any) -> str:
    """Return the text for one error that cattrs collected."""
    if isinstance(error, ForbiddenExtraKeysError):
        known = [field.name for field in attrs.fields(error.cl)]
        parts = []
        for key in sorted(error.extra_fields):
            near = get_close_matches(key, known, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            parts.append(f"{key}\1no such setting{hint}")
        return "\0".join(parts)
    if isinstance(error, KeyError):
        return f"{error.args[0]}\1missing, and it is needed"
    if isinstance(error, ValueError) and str(error).startswith("expected"):
        return str(error)
    return "expected another kind of value here; see the settings reference"


def line_of(text: str, key: str) -> int | None:
    """Return the line of the TOML text where `key` (such as packs[1].capacity_mah) stands."""
    lines = text.splitlines()
    start = 0
    parts = re.findall(r"([A-Za-z0-9_-]+)(?:\[(\d+)\])?", key)
    for depth, (name, index) in enumerate(parts):
        last = depth == len(parts) - 1
        header = re.compile(rf"^\s*\[\[?\s*(?:[\w-]+\.)*{re.escape(name)}\s*\]\]?")
        found = [n for n in range(start, len(lines)) if header.match(lines[n])]
        wanted = int(index) if index else 0
        if len(found) > wanted:
            start = found[wanted]
            if last:
                return start + 1
            continue
        entry = re.compile(rf"^\s*{re.escape(name)}\s*=")
        for n in range(start, len(lines)):
            if n > start and lines[n].lstrip().startswith("[") and depth:
                break
            if entry.match(lines[n]):
                return n + 1
        return start + 1 if depth else None
    return None


def given_in(record: Any) -> dict[str, Any]:
    """Return what a file said, without what it left open."""
    return {
        field.name: getattr(record, field.name)
        for field in attrs.fields(type(record))
        if getattr(record, field.name) is not None
    }


def bank_settings(record: Any, packs: list[PackSettings], path: Path, text: str) -> BankSettings:
    """Return the core's settings from a BankFile or BankPartFile. Raises BadFileError."""
    given = given_in(record)
    given.pop("packs", None)
    place = ""
    try:
        if "stages" in given:
            place = "stages."
            given["stages"] = StageSettings(**given_in(given["stages"]))
            place = ""
        return BankSettings(packs, **given)
    except SettingsError as error:
        message = f"expected {error.expected}, got {error.got}"
        raise BadFileError([_complaint(path, text, place + error.field, message)]) from None


def load_settings(path: Path) -> BankSettings:
    """Return the settings in a file. Raises BadFileError with every complaint."""
    plain, text = read_toml(path)
    record = structured(plain, BankFile, path, text)
    packs = []
    complaints = []
    for number, pack in enumerate(record.packs):
        try:
            packs.append(PackSettings(**given_in(pack)))
        except SettingsError as error:
            key = f"packs[{number}].{error.field}"
            message = f"expected {error.expected}, got {error.got}"
            complaints.append(_complaint(path, text, key, message))
    if complaints:
        raise BadFileError(complaints)
    return bank_settings(record, packs, path, text)
