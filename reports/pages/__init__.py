"""Pages that need no sign-in."""
