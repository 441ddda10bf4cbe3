"""The OpenMetrics text format 1.0: families of samples, to text.

A family's name ends in its unit; a counter's samples end in _total, an info's in _info. Every
sample of a family stands with it, and the text ends with `# EOF`.
"""

from collections.abc import Iterable, Mapping, Sequence

from attrs import frozen

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
SUFFIXES = {"gauge": "", "counter": "_total", "info": "_info", "stateset": ""}
ESCAPES = str.maketrans({"\\": "\\\\", '"': '\\"', "\n": "\\n"})

Sample = tuple[Mapping[str, str], str]  # labels, value as text


@frozen
class Family:
    """One metric: `name` without its type's suffix, ending in `unit` if it has one."""

    name: str
    type: str  # a key of SUFFIXES
    help: str
    unit: str = ""


def escaped(text: str) -> str:
    """Return a label's value, or a help text, as the format wants it."""
    return text.translate(ESCAPES)


def lines(family: Family, samples: Sequence[Sample]) -> Iterable[str]:
    """Yield the lines of a family; none without a sample."""
    if not samples:
        return
    yield f"# TYPE {family.name} {family.type}"
    if family.unit:
        yield f"# UNIT {family.name} {family.unit}"
    yield f"# HELP {family.name} {escaped(family.help)}"
    for labels, value in samples:
        pairs = ",".join(f'{name}="{escaped(text)}"' for name, text in labels.items())
        shown = "{" + pairs + "}" if pairs else ""
        yield f"{family.name}{SUFFIXES[family.type]}{shown} {value}"


def exposition(families: Iterable[tuple[Family, Sequence[Sample]]]) -> bytes:
    """Return the whole page."""
    found = [line for family, samples in families for line in lines(family, samples)]
    return "\n".join([*found, "# EOF", ""]).encode()


def decimal(value: int, digits: int) -> str:
    """Return value / 10^digits as a decimal, exactly."""
    sign, value = ("-", -value) if value < 0 else ("", value)
    whole, rest = divmod(value, 10**digits)
    return f"{sign}{whole}.{rest:0{digits}d}" if digits else f"{sign}{whole}"
