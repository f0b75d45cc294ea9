"""A whole workshop as one ZIP archive: written, described, checked, and taken in by an empty workshop."""
