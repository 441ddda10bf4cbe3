"""Any cyclic code, against another library's table of nothing but its numbers."""

from crccheck.crc import Crc
from hypothesis import given
from hypothesis import strategies as st

from adapters.checksums import WIDTHS, ChecksumSettings, checksum


@given(data=st.binary(max_size=40), draw=st.data())
def test_any_code_is_that_of_crccheck(data: bytes, draw: st.DataObject) -> None:
    """Width, polynomial, start, reflection and final xor mean the same as they do there."""
    width = draw.draw(st.sampled_from(WIDTHS))
    numbers = st.integers(0, (1 << width) - 1)
    polynomial, start, final_xor = draw.draw(numbers) | 1, draw.draw(numbers), draw.draw(numbers)
    reflected = draw.draw(st.booleans())
    ours = checksum(ChecksumSettings(kind="crc", width=width, polynomial=polynomial, start=start,
                                     reflected=reflected, final_xor=final_xor))  # fmt: skip
    assert ours(data) == Crc(width, polynomial, start, reflected, reflected, final_xor).calc(data)
