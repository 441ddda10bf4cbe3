"""Each pack's last reading, for outputs that show packs one by one.

The bank's view tells what the packs are together; what one of them reads is here. A reading stays
as it was last told, however old: whether the pack is there, its row in the view says.
"""

from adapters.links import Record
from aggregator import PackReport
from aggregator.errors import Refusal


class Readings:
    """The last report of each pack that the bank took, as copies (talkers use theirs again)."""

    def __init__(self) -> None:
        self._last: dict[str, PackReport] = {}

    def heard(self, now_ms: int, record: Record, refusal: Refusal | None) -> None:
        """Keep a report that was taken."""
        if refusal is not None or not isinstance(record, PackReport):
            return
        kept = self._last.get(record.pack)
        if kept is None:
            kept = self._last[record.pack] = PackReport(record.pack, 0)
        for name in PackReport.__slots__:
            value = getattr(record, name)
            setattr(kept, name, tuple(value) if isinstance(value, (list, set)) else value)

    def of(self, pack: str) -> PackReport | None:
        """Return a pack's last report; None: none yet."""
        return self._last.get(pack)
