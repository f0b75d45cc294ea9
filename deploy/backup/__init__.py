"""Backups of the whole installation, and bringing them back."""
