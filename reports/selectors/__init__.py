"""What reports shows, and to whom."""
