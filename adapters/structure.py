"""Plain values to records, with every complaint gathered on the way.

attrs records go through cattrs, which goes on after an error; the core's records check themselves
and stop at their first one, so they are made again without the field they refused, until they take
the rest. Ranges and types are the records' own: nothing of them is written here again.
"""

import difflib
import math
from collections.abc import Callable
from types import UnionType
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

import cattrs
from attrs import NOTHING, Attribute, fields, has
from cattrs.errors import BaseValidationError

from adapters.toml_file import Complaint, Place
from aggregator import PackSettings, SettingsError, StageSettings
from aggregator.errors import told
from aggregator.plain import BANK_KEYS, PACK_KEYS, STAGE_KEYS
from aggregator.settings import MOST_PACKS

Record = TypeVar("Record")

HOMES = (
    ("the file's own keys, before any table", BANK_KEYS),
    ("[stages]", STAGE_KEYS),
    ("[[packs]], once for each pack", PACK_KEYS),
)
STAND_IN = "stand-in"  # for a pack without a usable name, so that the rest can be looked at


class WrongError(Exception):
    """One or several values that cannot be right."""

    def __init__(self, complaints: list[Complaint], rest: object = None) -> None:
        self.complaints = complaints
        self.rest = rest  # the record without what is wrong in it, to look on
        super().__init__(str(len(complaints)))


def structured(
    plain: object, kind: type[Record], place: Place, complaints: list[Complaint]
) -> Record | None:
    """Return `plain` as a record of `kind`. Where something is wrong: complain, and return the
    record without it if there is one, else None."""
    try:
        return CONVERTER.structure(plain, kind)
    except WrongError as error:
        _gather(error, place, complaints)
        return error.rest  # type: ignore[return-value]  # made by the hook for `kind`
    except BaseValidationError as error:
        _gather(error, place, complaints)
        return None


def _gather(error: BaseException, place: Place, complaints: list[Complaint]) -> None:
    """Take the complaints out of what cattrs raised."""
    if isinstance(error, WrongError):
        for one in error.complaints:
            complaints.append(one.under(place))
    elif isinstance(error, BaseValidationError):
        for inner in error.exceptions:
            _gather(inner, place, complaints)
    else:  # of a kind that cattrs checks itself
        complaints.append(Complaint(place, str(error.args[0] if error.args else error), "not that"))


def stray(key: str, known: list[str]) -> Complaint:
    """Complain of a key that is not known here, and say which one may be meant."""
    near = difflib.get_close_matches(key, known, n=1)
    homes = [home for home, keys in HOMES if key in keys]
    if near:
        hint = f'did you mean "{near[0]}"?'
    elif homes:
        hint = f"it belongs to {homes[0]}"
    else:
        more = f" and {len(known) - 8} more" if len(known) > 8 else ""
        hint = "known here: " + ", ".join(sorted(known)[:8]) + more
    return Complaint((key,), "a key of this table", told(key), hint)


# Strict hooks: TOML has types, so nothing is converted on the quiet.


def _scalar(kind: type, expected: str) -> Callable[[object, object], object]:
    def structure(value: object, _: object) -> object:
        if type(value) is not kind:
            raise WrongError([Complaint((), expected, told(value))])
        return value

    return structure


def _number(value: Any, _: object) -> float:
    if type(value) not in (int, float) or not math.isfinite(value):
        raise WrongError([Complaint((), "a number", told(value))])
    return float(value)


def _table(value: object, _: object = None) -> dict[str, object]:
    if not isinstance(value, dict):
        raise WrongError([Complaint((), "a table", told(value))])
    return dict(value)


def _list(value: object, kind: Any) -> list[object]:
    if not isinstance(value, list):
        hint = "a list of tables is headed in double brackets" if isinstance(value, dict) else ""
        raise WrongError([Complaint((), "a list", told(value), hint)])
    made: list[object] = []
    complaints: list[Complaint] = []
    for number, one in enumerate(value):
        made.append(structured(one, get_args(kind)[0], (number,), complaints))
    if complaints:
        raise WrongError(complaints, [one for one in made if one is not None])
    return made


def _attrs(kind: Any) -> Callable[[object, object], object]:
    """Return the hook for an attrs class: a table, with the class's own keys only.

    Each value is structured and validated by itself, so that every mistake is told, at its own key.
    """
    hints = get_type_hints(kind)

    def structure(value: object, _: object) -> object:
        complaints: list[Complaint] = []
        plain = known(_table(value), [one.name for one in fields(kind)], complaints)
        given: dict[str, object] = {}
        for one in fields(kind):
            if one.name in plain:
                given |= _attribute(one, hints[one.name], plain[one.name], complaints)
            elif one.default is NOTHING:
                complaints.append(Complaint((one.name,), "a value", "nothing"))
        try:
            record = kind(**given)
        except (TypeError, ValueError) as error:  # TypeError: something is missing
            record = None
            if not complaints:  # values that do not go together
                complaints.append(Complaint((), str(error.args[0]), "something else"))
        if complaints:
            raise WrongError(complaints, record)
        return record

    return structure


def _attribute(
    one: "Attribute[Any]", hint: Any, plain: object, complaints: list[Complaint]
) -> dict[str, object]:
    """Return an attribute's value by its name; or nothing, having complained."""
    found: list[Complaint] = []
    value = structured(plain, hint, (one.name,), found)
    if not found or value is not None:
        try:
            if one.validator is not None:
                one.validator(None, one, value)
            complaints += found
            return {one.name: value}
        except (TypeError, ValueError) as error:
            options = getattr(one.validator, "options", None)
            expected = (
                str(error.args[0]) if options is None else f"one of {', '.join(map(str, options))}"
            )
            found.append(Complaint((one.name,), expected, told(value)))
    complaints += found
    return {}


# The core's own records.


def _core(make: Callable[..., object], keys: list[str]) -> Callable[[object, object], object]:
    def structure(value: object, _: object) -> object:
        complaints: list[Complaint] = []
        record = made(make, known(_table(value), keys, complaints), complaints)
        if complaints:
            raise WrongError(complaints, record)
        return record

    return structure


def known(
    plain: dict[str, object], keys: list[str], complaints: list[Complaint]
) -> dict[str, object]:
    """Return what the known keys say; complain of the others."""
    complaints.extend(stray(key, keys) for key in plain if key not in keys)
    return {key: plain[key] for key in plain if key in keys}


def made(
    make: Callable[..., object], given: dict[str, object], complaints: list[Complaint]
) -> object:
    """Make a record of the core; where it refuses a field, complain, leave it out, and go on."""
    given = dict(given)
    if make is PackSettings:
        given.setdefault("pack", None)
    while True:
        try:
            return make(**given)
        except SettingsError as error:
            key = _culprit(error, given)
            complaints.append(_complaint(error, key))
            if key is None:
                return None
            if key == "pack":
                given["pack"] = STAND_IN
            elif key == "packs":
                given["packs"] = _usable(given["packs"])
            else:
                del given[key]


def _usable(packs: Any) -> list[PackSettings]:
    """Return at least one pack and at most as many as there may be, each name once."""
    once = {one.pack: one for one in packs} or {STAND_IN: PackSettings(STAND_IN)}
    return list(once.values())[:MOST_PACKS]


def _culprit(error: SettingsError, given: dict[str, object]) -> str | None:
    """Return the key that was given and that an error is about; None: there is no such key."""
    if error.field in given:
        return error.field
    if error.field in STAGE_KEYS and "stages" in given:
        return "stages"
    for key in given:
        if key in error.expected.split():
            return key
    return None


def _complaint(error: SettingsError, key: str | None) -> Complaint:
    expected = error.expected.replace(" or null", ", or left out")
    got = "nothing" if error.got == "null" else error.got
    if key == "stages":
        return Complaint(("stages", error.field), expected, got)
    if key is None or key == error.field:
        return Complaint((error.field,), expected, got)
    return Complaint((key,), f"{error.field} {expected}", f"{got}, its default")


def _is(origin: type) -> Callable[[Any], bool]:
    return lambda kind: get_origin(kind) is origin


def _dict(value: object, kind: Any) -> dict[str, object]:
    made: dict[str, object] = {}
    complaints: list[Complaint] = []
    for key, one in _table(value).items():
        made[key] = structured(one, get_args(kind)[1], (key,), complaints)
    if complaints:
        raise WrongError(complaints, {key: one for key, one in made.items() if one is not None})
    return made


def _is_optional(kind: Any) -> bool:
    return isinstance(kind, UnionType) and len(get_args(kind)) == 2 and type(None) in get_args(kind)


def _optional(value: object, kind: Any) -> object:
    (real,) = [one for one in get_args(kind) if one is not type(None)]
    return None if value is None else CONVERTER.structure(value, real)


def _choice(value: object, kind: Any) -> object:
    if value not in get_args(kind) or type(value) is not type(get_args(kind)[0]):
        raise WrongError(
            [Complaint((), f"one of {', '.join(map(str, get_args(kind)))}", told(value))]
        )
    return value


CONVERTER = cattrs.Converter(detailed_validation=True)
CONVERTER.register_structure_hook(int, _scalar(int, "a whole number"))
CONVERTER.register_structure_hook(bool, _scalar(bool, "true or false"))
CONVERTER.register_structure_hook(str, _scalar(str, "a text"))
CONVERTER.register_structure_hook(float, _number)
CONVERTER.register_structure_hook_func(_is(list), _list)
CONVERTER.register_structure_hook_func(_is(dict), _dict)
CONVERTER.register_structure_hook_func(
    lambda kind: getattr(kind, "__origin__", None) is Literal, _choice
)
CONVERTER.register_structure_hook_func(lambda kind: kind is object, lambda value, _: value)
CONVERTER.register_structure_hook_func(_is_optional, _optional)
CONVERTER.register_structure_hook_factory(has, _attrs)
CONVERTER.register_structure_hook(PackSettings, _core(PackSettings, PACK_KEYS))
CONVERTER.register_structure_hook(StageSettings, _core(StageSettings, STAGE_KEYS))
