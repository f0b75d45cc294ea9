"""Requests that leave the service: where they may lead, and how one is sent. Knows nothing of workshops."""
