"""Reading: who may see which job, and everything that belongs to one."""
