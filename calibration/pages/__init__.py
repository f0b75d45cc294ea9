"""Pages of decisions, and what pages about the work share."""
