"""Signing in with a browser: what django-allauth asks of the project that uses it."""
