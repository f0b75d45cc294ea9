"""Files into records: what a file is, its rows, what their columns mean, and what each kind of import records."""
