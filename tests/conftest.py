"""Settings of all tests."""

from hypothesis import settings

# A busy machine is no fault: timing is for benchmarks.
settings.register_profile("needlecoach", deadline=None)
settings.load_profile("needlecoach")
