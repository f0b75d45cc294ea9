"""The bench app's page, its files and the worker that keeps them on the tablet; the app itself is `static/bench`."""
