"""The gateway's own table in SITE.toml."""

from attrs import field, frozen


def _step(_: object, __: object, value: int) -> None:
    if not 50 <= value <= 10_000:
        raise ValueError("50..10000 ms")


def _megabytes(_: object, __: object, value: int) -> None:
    if not 1 <= value <= 1_000_000:
        raise ValueError("1..1000000 MB")


@frozen(kw_only=True)
class GatewaySettings:
    """The gateway's own settings. Files are named relative to the site's file."""

    step_ms: int = field(default=500, validator=_step)  # at least so often; news step at once
    state: str = "packyoke-state.json"  # what survives a restart; "" keeps nothing
    record: str = ""  # every record and step, a log for view, why and replay; "" for none; *.gz
    record_mb: int = field(default=1_000, validator=_megabytes)  # four packs: 150 to 200 MB a day
