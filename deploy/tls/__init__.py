"""HTTPS that the service speaks itself: with a certificate it is given, or with one of a local authority."""
