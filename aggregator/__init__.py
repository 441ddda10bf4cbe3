"""One battery out of several parallel LiFePO4 packs: the core, without I/O, clock or floats."""

__version__ = "0.1.0"
