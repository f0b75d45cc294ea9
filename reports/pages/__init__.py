"""Pages that show all of the work: today, vehicles, jobs, certificates, parked work; and the one without sign-in."""
