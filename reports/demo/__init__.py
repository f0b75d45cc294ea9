"""The demo workshop: invented vehicles with invented faults, worked on through the real services on past days."""
