"""What holds for all tests: an example that is slow on a busy machine is no mistake."""

from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
