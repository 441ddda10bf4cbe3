"""What the bank says: `SystemView`, with a `PackRow` for each pack, a `Cap` for each reason.

The aggregator fills one view and hands it out again after every step; `copy()` keeps one. All
fields are as of the last step, but for `packs`, which shows each pack as it is when asked. None
means unknown. What each field is: fields.py.
"""

from .report import alarm_names


class Cap:
    """A limit may not pass `value` (mA or mV), because `rule` says so, about `pack` (or None)."""

    __slots__ = ("pack", "rule", "value")

    def __init__(self, value: int, rule: str, pack: str | None = None) -> None:
        self.value = value
        self.rule = rule
        self.pack = pack

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Cap)
            and self.value == other.value
            and self.rule == other.rule
            and self.pack == other.pack
        )

    def __hash__(self) -> int:
        return hash((self.value, self.rule, self.pack))

    def __repr__(self) -> str:
        pack = "None" if self.pack is None else '"' + self.pack + '"'
        return "Cap(" + str(self.value) + ', "' + self.rule + '", ' + pack + ")"


class PackRow:
    """One pack as the last step saw it. Fields: fields.py, ROW_FIELDS."""

    __slots__ = (
        "charge_contribution_ma",
        "discharge_contribution_ma",
        "pack",
        "presence",
        "share_permille",
        "why_ignored",
    )

    def __init__(self, pack: str) -> None:
        self.pack = pack
        self.presence = "unheard"
        self.charge_contribution_ma = 0
        self.discharge_contribution_ma = 0
        self.share_permille: int | None = None
        self.why_ignored: str | None = None


class Finding:
    """Something to look at: `name` (the table in findings.py) about `pack` (None: the bank)."""

    __slots__ = ("name", "pack")

    def __init__(self, name: str, pack: str | None) -> None:
        self.name = name
        self.pack = pack

    def __repr__(self) -> str:
        return "Finding(" + self.name + ", " + str(self.pack) + ")"


class RowSource:
    """Where a view gets its pack rows from, when somebody asks (see rows.py)."""

    def pack_rows(self) -> list[PackRow]:
        return []


class SystemView:
    """The whole bank as of the last step. Fields and units: fields.py, VIEW_FIELDS; `packs`: a
    PackRow each, in the order of their names; `findings`: a list of Finding."""

    def __init__(self, names: list[str]) -> None:
        self.names = names
        self.voltage_mv: int | None = None
        self.voltage_min_mv: int | None = None
        self.voltage_max_mv: int | None = None
        self.current_ma: int | None = None
        self.power_w: int | None = None
        self.soc_permille: int | None = None
        self.soc_min_permille: int | None = None
        self.soc_max_permille: int | None = None
        self.soh_permille: int | None = None
        self.capacity_mah = 0
        self.remaining_mah: int | None = None
        self.cell_min_mv: int | None = None
        self.cell_max_mv: int | None = None
        self.cell_min_row = 0
        self.cell_max_row = 0
        self.cell_min_no: int | None = None
        self.cell_max_no: int | None = None
        self.temperature_min_decic: int | None = None
        self.temperature_max_decic: int | None = None
        self.temperature_min_row = 0
        self.temperature_max_row = 0
        self.warning_bits = 0
        self.protection_bits = 0
        self.partial = True
        self.charge_allowed = False
        self.discharge_allowed = False
        self.charge_voltage_limit_mv = 0
        self.discharge_voltage_limit_mv = 0
        self.charge_current_limit_ma = 0
        self.discharge_current_limit_ma = 0
        self.charge_voltage_rule = ""
        self.charge_voltage_pack: str | None = None
        self.discharge_voltage_rule = ""
        self.discharge_voltage_pack: str | None = None
        self.charge_current_rule = ""
        self.charge_current_pack: str | None = None
        self.discharge_current_rule = ""
        self.discharge_current_pack: str | None = None
        self.stage = "bulk"
        self.stage_elapsed_ms = 0
        self.stage_ends: str | None = None
        self.stage_ends_ms: int | None = None
        self.role = "alone"
        self.may_speak = False
        self.rejected = 0
        self.last_refusal: str | None = None
        self.findings: list[Finding] = []
        self.rows: list[PackRow] | None = None  # a copy's own; None: ask the source
        self.source = RowSource()

    @property
    def packs(self) -> list[PackRow]:
        return self.source.pack_rows() if self.rows is None else self.rows

    def copy(self) -> "SystemView":
        """Return a view that the next step leaves alone."""
        kept = SystemView(self.names)
        for name in self.__dict__:
            setattr(kept, name, getattr(self, name))
        kept.rows = self.packs
        return kept

    @property
    def cell_min_pack(self) -> str | None:
        return None if self.cell_min_mv is None else self.names[self.cell_min_row]

    @property
    def cell_max_pack(self) -> str | None:
        return None if self.cell_max_mv is None else self.names[self.cell_max_row]

    @property
    def temperature_min_pack(self) -> str | None:
        known = self.temperature_min_decic is not None
        return self.names[self.temperature_min_row] if known else None

    @property
    def temperature_max_pack(self) -> str | None:
        known = self.temperature_max_decic is not None
        return self.names[self.temperature_max_row] if known else None

    @property
    def warnings(self) -> tuple[str, ...]:
        return alarm_names(self.warning_bits)

    @property
    def protections(self) -> tuple[str, ...]:
        return alarm_names(self.protection_bits)
