"""Which broker carries the hints that background work is due."""

from urllib.parse import quote

from deploy.embedded.folder import DataFolder

SOCKET_NAME = "valkey.sock"


def embedded_url(data: DataFolder) -> str:
    """Return the URL of the embedded Valkey."""
    return f"redis+socket://{quote(str(data.sockets / SOCKET_NAME))}"
