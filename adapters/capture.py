"""One thing that a map read out of a recording of a bus, however the bus works.

Each kind of map explains a recording as a list of these; what to make of them is judged once, for
all kinds (`packyoke check MAP --sample CAPTURE`).
"""

from attrs import frozen

from adapters.meaning import Value


@frozen
class Seen:
    """One number on a bus and what the map makes of it."""

    at_ms: int  # since the recording's first line; does not wrap
    source: str  # where it stood, in the map's words: a signal, register, topic, bytes of a frame
    field: str  # of PackReport or BusReport
    raw: object  # as it stood there, before scale and offset
    value: Value | None  # what the core is told, in the field's own unit; None: unknown
