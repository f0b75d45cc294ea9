"""English: days before months, months in letters, and 24 hours: no reader takes one for the other."""
