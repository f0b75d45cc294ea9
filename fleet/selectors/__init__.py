"""What may be seen of fleet, by whom. Row-level security already keeps other workshops out."""
