"""Settings for all tests: property tests are judged by what they find, not by how fast the machine is that day."""

from hypothesis import HealthCheck, settings

settings.register_profile("steady", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("steady")
