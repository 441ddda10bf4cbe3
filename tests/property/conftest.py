"""How hard the properties are tried: HYPOTHESIS_PROFILE is `default`, `deep` for nights, or `quick`,
the same few examples each time, for trying deliberate mistakes in the core."""

import os

from hypothesis import HealthCheck, Phase, settings

_SLOW_IS_FINE = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example]
settings.register_profile(
    "default", max_examples=40, deadline=None, suppress_health_check=_SLOW_IS_FINE
)
settings.register_profile(
    "deep", max_examples=1_500, deadline=None, suppress_health_check=_SLOW_IS_FINE
)
settings.register_profile(
    "quick",
    max_examples=6,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    deadline=None,
    suppress_health_check=_SLOW_IS_FINE,
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))
