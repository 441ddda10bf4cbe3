"""The core's records as plain JSON values and back, for links, logs and the driver protocol.

Board-safe, and not imported by the core itself: a board that needs no JSON need not copy it.
Keys are the field names of the records. An unknown key is an error: a misspelt field must not
pass for an unknown value.
"""

from .errors import Refusal, SettingsError
from .fields import ROW_FIELDS, VIEW_FIELDS
from .ranges import (
    BANK_CHOICES,
    BANK_FLAGS,
    BANK_INTS,
    PACK_CURVES,
    PACK_FLAGS,
    PACK_INTS,
    STAGE_CHOICES,
    STAGE_INTS,
)
from .report import (
    BUS_INTS,
    REPORT_FLAGS,
    REPORT_INTS,
    REPORT_LISTS,
    BusReport,
    PackReport,
)
from .requests import Request
from .settings import BankSettings, PackSettings, StageSettings
from .view import Cap, SystemView


def _firsts(table: tuple[tuple[object, ...], ...]) -> list[str]:
    return [str(row[0]) for row in table]


REPORT_KEYS = (
    ["pack", "warnings", "protections"]
    + _firsts(REPORT_INTS)
    + list(REPORT_FLAGS)
    + _firsts(REPORT_LISTS)
)
BUS_KEYS = _firsts(BUS_INTS)
REQUEST_KEYS = ["kind", "pack", "value", "lasts_ms", "source", "field"]
PACK_KEYS = ["pack"] + _firsts(PACK_INTS) + list(PACK_FLAGS) + list(PACK_CURVES)
STAGE_KEYS = _firsts(STAGE_INTS) + _firsts(STAGE_CHOICES) + ["adjustable"]
BANK_KEYS = (
    ["packs", "stages", "own_packs"] + _firsts(BANK_INTS) + list(BANK_FLAGS) + _firsts(BANK_CHOICES)
)


def settings_from(plain: object) -> BankSettings:
    """Return the settings in a plain dict. Raises SettingsError; its field names the place."""
    known = _known(plain, BANK_KEYS, "settings")
    packs = known.get("packs")
    if not isinstance(packs, list):
        raise SettingsError("packs", "a list of packs", packs)
    records = []
    for number in range(len(packs)):
        place = "packs[" + str(number) + "]"
        fields = _known(packs[number], PACK_KEYS, place)
        fields["pack"] = fields.get("pack")
        try:
            records.append(PackSettings(**fields))  # type: ignore[arg-type]  # checked inside
        except SettingsError as error:
            raise _moved(error, place)
    known["packs"] = records
    if known.get("stages") is not None:
        fields = _known(known["stages"], STAGE_KEYS, "stages")
        try:
            known["stages"] = StageSettings(**fields)  # type: ignore[arg-type]  # checked inside
        except SettingsError as error:
            raise _moved(error, "stages")
    return BankSettings(**known)  # type: ignore[arg-type]  # checked inside


def settings_to_plain(settings: BankSettings) -> dict[str, object]:
    """Return the settings as a plain dict that `settings_from` takes back."""
    plain: dict[str, object] = {key: getattr(settings, key) for key in BANK_KEYS}
    plain["packs"] = [{key: getattr(pack, key) for key in PACK_KEYS} for pack in settings.packs]
    plain["stages"] = {key: getattr(settings.stages, key) for key in STAGE_KEYS}
    return plain


def _known(plain: object, keys: list[str], place: str) -> dict[str, object]:
    """Return a copy of `plain` if it is a dict with keys from `keys` only."""
    if not isinstance(plain, dict):
        raise SettingsError(place, "an object with named fields", plain)
    for key in plain:
        if not isinstance(key, str) or key not in keys:
            raise SettingsError(place, "only fields of the settings reference", key)
    return dict(plain)


def _moved(error: SettingsError, place: str) -> SettingsError:
    """Return the same error with `place` in front of its field."""
    moved = SettingsError(place + "." + error.field, error.expected, None)
    moved.got = error.got
    return moved


def _stray(plain: dict[str, object], keys: list[str]) -> Refusal | None:
    """Say which key of `plain` is not in `keys`; the least one, so that order cannot matter."""
    stray = sorted([key for key in plain if key not in keys])
    return Refusal(stray[0], "a known field", plain[stray[0]]) if stray else None


def report_from(plain: dict[str, object]) -> PackReport | Refusal:
    """Return the report in a plain dict, unchecked but for its keys; or why there is none."""
    stray = _stray(plain, REPORT_KEYS)
    if stray is not None:
        return stray
    fields = dict(plain)
    fields["pack"] = plain.get("pack")
    fields["sample"] = plain.get("sample")
    return PackReport(**fields)  # type: ignore[arg-type]  # `accept` checks


def bus_from(plain: dict[str, object]) -> BusReport | Refusal:
    """Return the bus report in a plain dict, unchecked but for its keys; or why there is none."""
    stray = _stray(plain, BUS_KEYS)
    if stray is not None:
        return stray
    fields = dict(plain)
    fields["sample"] = plain.get("sample")
    return BusReport(**fields)  # type: ignore[arg-type]  # `bus` checks


def request_from(plain: dict[str, object]) -> Request | Refusal:
    """Return the request in a plain dict, unchecked but for its keys; or why there is none."""
    stray = _stray(plain, REQUEST_KEYS)
    if stray is not None:
        return stray
    fields = dict(plain)
    fields["kind"] = plain.get("kind")
    return Request(**fields)  # type: ignore[arg-type]  # `request` checks


def view_to_plain(view: SystemView) -> dict[str, object]:
    """Return every field of the view, with packs and findings as lists of dicts."""
    plain: dict[str, object] = {}
    for name in VIEW_FIELDS:
        value = getattr(view, name)
        plain[name] = list(value) if isinstance(value, tuple) else value
    plain["packs"] = [{name: getattr(row, name) for name in ROW_FIELDS} for row in view.packs]
    plain["findings"] = [{"name": found.name, "pack": found.pack} for found in view.findings]
    return plain


def cap_to_plain(cap: Cap) -> dict[str, object]:
    """Return a cap as {"value", "rule", "pack"}."""
    return {"value": cap.value, "rule": cap.rule, "pack": cap.pack}


def json_text(value: object) -> str:
    """Return compact JSON with sorted keys and plain ASCII: the same bytes on every interpreter.

    For None, booleans, integers, texts, lists, tuples and dicts with texts for keys.
    """
    if value is None:
        return "null"
    if value is True:
        return "true"
    if value is False:
        return "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, dict):
        pairs = [_quoted(key) + ":" + json_text(value[key]) for key in sorted(value)]
        return "{" + ",".join(pairs) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ",".join([json_text(element) for element in value]) + "]"
    return str(value)


def _quoted(text: str) -> str:
    out = []
    for c in text:
        code = ord(c)
        if c in '"\\':
            out.append("\\" + c)
        elif 32 <= code < 127:
            out.append(c)
        elif code < 0x10000:
            out.append("\\u%04x" % code)
        else:
            code -= 0x10000
            out.append("\\u%04x\\u%04x" % (0xD800 + (code >> 10), 0xDC00 + (code & 0x3FF)))
    return '"' + "".join(out) + '"'
