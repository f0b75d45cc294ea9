"""The file of a tablet's outbox: opened, read, and carried out as if the tablet had sent what is in it."""
