"""A service of its own that answers without HTTPS and knows one page: how a device comes to trust the authority."""
