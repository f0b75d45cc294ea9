"""The service's own settings, with the faults of `seeded.py` at hand."""

from deploy import settings

globals().update({name: value for name, value in vars(settings).items() if name.isupper()})

# Argon2 is slow on purpose; the real service, beside this one, uses it.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
INSTALLED_APPS = [*settings.INSTALLED_APPS, "tests.campaigns.faults.seeded.SeededFaults"]
