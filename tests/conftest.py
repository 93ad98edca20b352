"""What all tests share: property tests are judged by what they find, not by the machine's speed."""

from hypothesis import settings

settings.register_profile("benchpour", deadline=None)
settings.load_profile("benchpour")
