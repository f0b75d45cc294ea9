"""Pages for people, drawn on the server and working without a script."""
