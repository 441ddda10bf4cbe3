"""Options of the whole suite."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--streams N`: how many random streams every interpreter must answer alike."""
    parser.addoption("--streams", type=int, default=100, help="random streams for tests/parity")
