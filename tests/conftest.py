"""What every test shares: property tests are the same on every run and know no hurry."""

from hypothesis import settings

# a slow or busy machine is no failure, and a failure must come back the next time
settings.register_profile("glasstally", derandomize=True, deadline=None)
settings.load_profile("glasstally")
