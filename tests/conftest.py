"""Settings for all tests: property tests are judged by what they find, not by how fast the machine is that day."""

import sys

from hypothesis import HealthCheck, settings
from knurlsight.inner_threads import hold_to_one

# As on the command line, and before NumPy loads its linear algebra: tests that measure call it in this process.
assert "numpy" not in sys.modules, "a plugin has loaded NumPy before its threads could be held to one"
hold_to_one()

settings.register_profile("steady", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("steady")
