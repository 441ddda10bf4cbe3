"""How hard the properties are tried: `default` for every run, HYPOTHESIS_PROFILE=deep for nights."""

import os

from hypothesis import HealthCheck, settings

_SLOW_IS_FINE = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example]
settings.register_profile(
    "default", max_examples=40, deadline=None, suppress_health_check=_SLOW_IS_FINE
)
settings.register_profile(
    "deep", max_examples=1_500, deadline=None, suppress_health_check=_SLOW_IS_FINE
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))
