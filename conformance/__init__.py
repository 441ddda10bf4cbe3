"""The kit: the driver protocol's device, the plant simulator, and what judges a bridge."""
