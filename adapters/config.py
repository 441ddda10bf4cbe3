"""Settings files: TOML to the core's settings, with every complaint in one pass.

A settings file has the shape of the core's records, and their names: the fields of `BankSettings`,
then a table [stages] and one [[packs]] for each pack. Ranges and types are the records' own.
"""

from pathlib import Path

from adapters.structure import STAND_IN, known, made, structured
from adapters.toml_file import BadFileError, Complaint, Place, raise_if_any, read_toml
from aggregator import BankSettings, PackSettings, StageSettings
from aggregator.plain import BANK_KEYS

__all__ = ["BadFileError", "bank_from", "load_settings", "read_toml"]


def load_settings(path: Path) -> BankSettings:
    """Return the settings in a file. Raises BadFileError with every complaint."""
    plain, lines = read_toml(path)
    complaints: list[Complaint] = []
    packs = structured(plain.get("packs", []), list[PackSettings], ("packs",), complaints)
    settings = bank_from(plain, packs or [], {}, (), complaints)
    raise_if_any(complaints, path, lines)
    assert settings is not None  # or there were complaints
    return settings


def bank_from(
    plain: dict[str, object],
    packs: list[PackSettings],
    usual: dict[str, object],
    place: Place,
    complaints: list[Complaint],
) -> BankSettings | None:
    """Return the settings of a bank of `packs`; or None, having complained.

    `plain`: the fields of BankSettings and the table of its stages; `usual`: what holds where it
    says nothing; `place`: where it stands in the file.
    """
    found: list[Complaint] = []
    given = usual | known(plain, BANK_KEYS, found)
    named = [one for one in packs if one.pack != STAND_IN]
    # Once something is wrong with the packs, a stand-in lets the rest be looked at.
    given["packs"] = named or ([PackSettings(STAND_IN)] if packs or complaints else [])
    stages = None
    if "stages" in given:
        stages = structured(given.pop("stages"), StageSettings, ("stages",), found)
    if stages is not None:
        given["stages"] = stages
    settings = made(BankSettings, given, found)
    complaints += [one.under(place) for one in found]
    return settings if isinstance(settings, BankSettings) and not found else None
